"""A set with a tape that is only told of, whose listener dies by SIGKILL at one instant.

``python -m tests.toy_tape FOLDER SECONDS`` plays it with the real sender in this process, with the kill so many seconds
after the tape began, and prints as JSON what its port was sent. The tape, at 240 bpm, stops for good in the middle. A
listener hears it only a moment after it was started, and finds its beat later still, as the real one does.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Sequence
from math import inf
from pathlib import Path
from typing import Any

from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.events import Fact
from bridge.events_foot import DeckStands, SwitchUsed
from bridge.journal.codec import fact_line

ROOT = Path(__file__).resolve().parents[1]

RIG = """
[[decks]]
name = "north"
channels = [1, 2]

[[loopers]]
name = "loop box"
port = "Pedals A"
listens_to = "north"
starts_on = "bar"
bars = 1
if_lost = "fire"
record = { messages = ["cc 80 1"] }
play = { messages = ["cc 80 2"] }

[[cues]]
name = "time"
when = "at 0:03"
messages = ["cc 90 1"]
port = "Pedals A"

[[cues]]
name = "bars"
when = "1 bar after chorus on north"
messages = ["cc 91 1"]
port = "Pedals A"
again = true

[[cues]]
name = "starts"
when = "north starts"
messages = ["cc 92 1"]
port = "Pedals A"
again = true

[[cues]]
name = "stops"
when = "north stops"
messages = ["cc 93 1"]
port = "Pedals A"
again = true

[[cues]]
name = "returns"
when = "beat returns on north"
messages = ["cc 94 1"]
port = "Pedals A"
again = true
"""

CUES = {"time": 90, "bars": 91, "starts": 92, "stops": 93, "returns": 94}
TEMPO = 240.0
HEARS_S, FINDS_S = 0.1, 0.3
PRESSES = {0.98: "this is one: north", 1.2: "mark: chorus", 1.25: "arm: loop box"}
"""What the foot asks for, and when. Bars begin on whole seconds: it records from 2 to 3, when the cue comes."""

STOPS_S = 3.6
FIRST_KILL_S, LAST_KILL_S = 1.4, 4.2
BELIEVED_S = 3.5
"""So long after the tape stopped, or after its start, the second listener ends the set, in seconds."""

SET_S = 60.0
"""Longest set in seconds."""


def tell(link: Link, start: int, folder: str, kill_s: float) -> None:
    """Tell how the deck stands, four times a second; the first listener dies at its instant."""
    began_file = Path(folder) / "began"
    if start == 1:
        began_file.write_text(repr(now() + 0.1), encoding="ascii")
    began, here = float(began_file.read_text(encoding="ascii")), now()
    presses = dict(PRESSES) if start == 1 else {}
    dies_at, word_at = began + kill_s if start == 1 else inf, began
    ends_at = inf if start == 1 else max(here, began + STOPS_S) + BELIEVED_S
    with (Path(folder) / "journal.jsonl").open("ab", buffering=0) as journal:
        while not link.closed:
            at = now()
            if at >= dies_at and not presses:
                os.kill(os.getpid(), signal.SIGKILL)
            if at >= ends_at:
                link.send(EndAsked("the tape is over"))
                ends_at = inf
            if at >= word_at:
                link.send(stands(at, began, at - here, start))
                word_at = at + 0.25
            for press_s in [press_s for press_s in presses if at >= began + press_s]:
                link.send(SwitchUsed(at=at, switch="foot", how="press", action=presses.pop(press_s)))
            if any(_written(message, journal) for message in link.receive()):
                link.vouch()
                return
            link.keep_alive(now())
            nearest = min(dies_at, word_at, *(began + press_s for press_s in presses))
            select.select([link], [], [], max(0.0, min(0.05, nearest - now())))


def stands(at: float, began: float, age_s: float, start: int) -> DeckStands:
    """Return what a listener of that age says; each counts the beats from elsewhere."""
    runs = at < began + STOPS_S and age_s >= HEARS_S
    if not runs or age_s < FINDS_S:
        return DeckStands(at=at, deck="north", state="listening" if runs else "idle", runs=runs)
    beats = (at - began) * TEMPO / 60 + 17 * start
    return DeckStands(at=at, deck="north", state="following", runs=True, tempo=TEMPO, beats=beats)


def _written(message: object, journal: Any) -> bool:
    """Write down a fact; return whether it is asked to end."""
    if isinstance(message, Fact):
        journal.write(fact_line(message))
    return isinstance(message, EndAsked)


def play(folder: str, kill_s: float) -> dict[str, Any]:
    """Play the set to its end, and return what happened."""
    from bridge import sender
    from bridge.edge.child import Listen
    from bridge.rig_text import parse_rig
    from bridge.send.plan import SendPlan
    from bridge.testing.ports import ListPort

    port = ListPort(now)
    plan = SendPlan.of(parse_rig(RIG, "rig.toml"))
    listen = Listen("tests.toy_tape:tell", (folder, kill_s))
    ended = sender.run(plan, listen, for_s=SET_S, open_port=lambda _: port)
    return {"kill_s": kill_s, "starts": ended.starts, "sent": [[at, *data] for at, data in port.sent]}


def sets(folder: Path, kills_s: Sequence[float], at_once: int = 6) -> list[dict[str, Any]]:
    """Play a set for each instant, some of them at the same time, and return what each printed and wrote down."""
    results = []
    for first in range(0, len(kills_s), at_once):
        homes = [folder / str(number) for number in range(first, min(first + at_once, len(kills_s)))]
        running = [_playing(home, kill_s) for home, kill_s in zip(homes, kills_s[first:], strict=False)]
        try:
            for home, process in zip(homes, running, strict=True):
                result = json.loads(process.communicate(timeout=90)[0])
                lines = (home / "journal.jsonl").read_text(encoding="utf-8").splitlines()
                results.append(result | {"facts": [json.loads(line) for line in lines]})
        finally:
            for process in running:
                process.terminate()
                process.communicate(timeout=30)
    return results


def _playing(home: Path, kill_s: float) -> subprocess.Popen[str]:
    home.mkdir()
    command = [sys.executable, "-m", "tests.toy_tape", str(home), str(kill_s)]
    env = os.environ | {"TAPEBRIDGE_RUNTIME": str(home / "runtime")}
    return subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)


def faults(result: dict[str, Any]) -> list[str]:
    """Return in words what was not done once, or not on its bar."""
    found = [] if result["starts"] == 2 else [f"{result['starts']} listeners"]
    sent = [tuple(data) for _, *data in result["sent"]]
    wanted = {name: (0xB0, number, 1) for name, number in CUES.items()}
    wanted |= {"record": (0xB0, 80, 1), "close": (0xB0, 80, 2)}
    for name, data in wanted.items():
        if sent.count(data) != 1:
            found.append(f"{name} went out {sent.count(data)} times")
    lengths = {
        fact["beats"] for fact in result["facts"] if fact.get("beats") is not None and fact["fact"] == "LooperChanged"
    }
    if len(lengths) != 1 or not all(abs(beats - 4) < 0.1 for beats in lengths):
        found.append(f"recorded {sorted(lengths)} beats")
    return [f"killed after {result['kill_s']:.3f} s: {fault}" for fault in found]


if __name__ == "__main__":
    sys.stdout.write(json.dumps(play(sys.argv[1], float(sys.argv[2]))))
