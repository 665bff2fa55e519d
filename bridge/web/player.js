// Plays the kept sound that lies beside the page, from any moment of the take: softly at first, file after file.
"use strict";
const player = (() => {
  const bar = document.querySelector(".player");
  const SOFTLY = 0.8; // seconds from silence to the loudness that is asked for
  const LOUDEST = 0.7; // of full scale: a browser has no limiter for files that lie on a disk
  let files = [], at = 0, index = -1, wanted = false, begun = 0, tries = 0, seeked = 0, said = () => {}, clock = String;
  const audio = new Audio();
  audio.preload = "none";

  const loudness = () => (bar.querySelector(".volume").value / 100) ** 2 * LOUDEST;
  const fileAt = (seconds) => files.findIndex(([begin, length]) => seconds >= begin - 0.05 && seconds < begin + length);

  function setUp(sound, text, onMove) {
    if (!bar || !sound.length) return;
    files = sound;
    clock = text;
    said = onMove;
    bar.querySelector(".play").addEventListener("click", toggle);
    bar.querySelector(".volume").addEventListener("input", () => (audio.volume = loudness()));
    audio.addEventListener("ended", () => wanted && next());
    audio.addEventListener("error", failed);
    requestAnimationFrame(move);
  }

  function tell(text) {
    bar.querySelector(".said").textContent = text;
    if (text) stop();
  }

  function from(seconds) {
    if (!files.length) return;
    at = Math.max(0, seconds);
    const found = fileAt(at);
    tell("");
    show();
    if (found < 0) return tell(`No sound was kept at ${clock(at)}.`);
    play(found, at - files[found][0]);
  }

  function play(file, offset, again = 0) {
    wanted = true;
    begun = null; // the moment of its first sound, once there is one
    tries = again;
    seeked = offset;
    audio.volume = 0;
    if (file !== index || again) {
      index = file;
      audio.src = files[file][2];
    }
    const go = () => {
      audio.currentTime = Math.max(0, offset);
      audio.play().catch((error) => error.name === "NotAllowedError" && tell("This browser waits for a click: press Play once more."));
    };
    if (audio.readyState >= 1) go();
    else {
      audio.addEventListener("loadedmetadata", go, { once: true });
      audio.load();
    }
    button();
  }

  // Browsers cannot reach every frame of a FLAC file without a table of its places: then a moment before will do
  function failed() {
    if (index < 0) return;
    if (audio.error?.code !== MediaError.MEDIA_ERR_SRC_NOT_SUPPORTED && wanted && tries < 4) return play(index, Math.max(0, seeked - 0.6), tries + 1);
    tell(`The file ${files[index][2]} cannot be played here. Does it lie beside this page?`);
    index = -1;
  }

  function next() {
    const end = files[index][0] + files[index][1];
    const after = files.findIndex(([begin]) => begin >= end - 0.05);
    if (after < 0 || files[after][0] > end + 1) {
      at = end;
      return stop();
    }
    const full = begun; // files that follow each other are one sound
    play(after, 0);
    begun = full;
  }

  function stop() {
    wanted = false;
    audio.pause();
    button();
  }

  function toggle() {
    if (wanted) stop();
    else from(fileAt(at) < 0 ? (files.find(([begin]) => begin > at) ?? files[0])[0] : at);
  }

  function button() {
    const play = bar.querySelector(".play");
    play.textContent = wanted ? "Pause" : "Play";
    play.setAttribute("aria-pressed", wanted);
  }

  function show() {
    bar.querySelector(".playhead").textContent = clock(at);
    said(at, wanted);
  }

  function move() {
    if (wanted && !audio.paused && audio.readyState >= 2) {
      begun ??= performance.now();
      audio.volume = loudness() * Math.min(1, (performance.now() - begun) / (1000 * SOFTLY));
      at = files[index][0] + audio.currentTime;
      show();
    }
    requestAnimationFrame(move);
  }

  return { from, setUp, toggle, get at() { return at; }, get playing() { return wanted; }, get any() { return files.length > 0; } };
})();
