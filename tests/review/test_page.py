"""A take's page in a real browser: drawn, zoomable, readable everywhere, harmless, and alone."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from bridge.errors import TakeError
from bridge.events import BeatPlaced, Fact, MarkPlaced, TakeEnded, TakeStarted
from bridge.journal.codec import schema_line
from bridge.review.page import write_review
from tests.review.sample import BEGAN, LENGTH_S, WALL, ferry_night, write_take
from tests.review.sound import ferry_night_with_sound

Opener = Callable[..., Page]

pytestmark = pytest.mark.browser

EVIL = '</script><script>alert("fog")</script><img src=http://127.0.0.1:9/x onerror=alert(1)> <b>bold</b> & "ampers"'
EMOJI = "👩‍🚒🗼☂️ fog, family 👨‍👩‍👧‍👦 ‮ reversed"


def mark(seconds: float, text: str) -> MarkPlaced:
    return MarkPlaced(at=BEGAN + seconds, wall=WALL + seconds, text=text)


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the sample take."""
    return write_review(write_take(tmp_path_factory.mktemp("takes") / "20261125T190312Z-ferry-night", ferry_night()))


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opener]:
    """Opens pages; at the end no page has complained, and none has asked for anything but itself."""
    complaints: list[str] = []
    requests: list[str] = []
    contexts = []

    def open_page(path: Path, width: int = 1200, **how: Any) -> Page:
        context = browser.new_context(viewport={"width": width, "height": 800}, **how)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("dialog", lambda dialog: complaints.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: requests.append(request.url))
        page.goto(path.as_uri())
        assert requests[-1] == path.as_uri()
        requests.pop()
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []
    assert requests == []


PIXELS = """canvas => {
    const copy = new OffscreenCanvas(canvas.width, canvas.height).getContext('2d', { willReadFrequently: true });
    copy.drawImage(canvas, 0, 0);
    return copy; }"""


def colours(page: Page) -> list[int]:
    """How many different colours each canvas shows."""
    count = f"""() => [...document.querySelectorAll('.uplot canvas')].map(canvas => {{
        const data = ({PIXELS})(canvas).getImageData(0, 0, canvas.width, canvas.height).data;
        return new Set(new Uint32Array(data.buffer)).size; }})"""
    return list(page.evaluate(count))


def window(page: Page) -> str:
    return page.locator(".window").inner_text()


def wait_until(page: Page, condition: str) -> None:
    """Wait for a JavaScript condition; the page's policy forbids Playwright's own way, which evaluates inside it."""
    give_up = time.monotonic() + 10
    while not page.evaluate(condition):
        assert time.monotonic() < give_up, condition
        page.wait_for_timeout(10)


def cells(page: Page, section: str) -> list[list[str]]:
    rows = page.locator(f"section[aria-labelledby='{section}'] tbody tr")
    text = [[c.text_content() or "" for c in row.locator("td").all()] for row in rows.all()]
    return [[cell.replace("\xa0", " ") for cell in row] for row in text]


def write_marks(folder: Path, *texts: str) -> Path:
    facts = ferry_night() + [mark(3.0 + n, text) for n, text in enumerate(texts)]
    return write_review(write_take(folder, facts))


def test_tempo_states_and_levels_are_drawn(opened: Opener, review: Path) -> None:
    drawn = colours(opened(review))
    assert len(drawn) == 3
    assert all(count > 10 for count in drawn)


def test_the_lines_are_where_the_beats_are(opened: Opener, review: Path) -> None:
    """At 0:40 north is heard at 85 bpm: the plot has north's colour there, and not 20 bpm above it."""
    page = opened(review)
    ask = f"""([seconds, tempo, low, high]) => {{
        const plot = document.querySelectorAll('.uplot')[1];
        const over = plot.querySelector('.u-over'), px = devicePixelRatio;
        const colour = getComputedStyle(document.querySelectorAll('.u-marker')[1]).borderTopColor.match(/\\d+/g);
        const x = over.offsetLeft + over.offsetWidth * seconds / 120;
        const y = over.offsetTop + over.offsetHeight * (high - tempo) / (high - low);
        const area = ({PIXELS})(plot.querySelector('canvas')).getImageData(x * px - 6, y * px - 6, 12, 12).data;
        for (let i = 0; i < area.length; i += 4)
            if (colour.every((c, n) => Math.abs(c - area[i + n]) < 40) && area[i + 3] > 200) return true;
        return false; }}"""
    tempos = [fact.tempo for fact in ferry_night() if isinstance(fact, BeatPlaced)]
    margin = 0.08 * (max(tempos) - min(tempos))
    axis = [min(tempos) - margin, max(tempos) + margin]
    assert page.evaluate(ask, [40.0, 84.9, *axis])
    assert not page.evaluate(ask, [40.0, 105.0, *axis])


def test_dragging_looks_closer_in_all_plots_and_a_double_click_shows_all(opened: Opener, review: Path) -> None:
    page = opened(review)
    assert window(page) == "0:00 to 2:00"
    before = colours(page)
    box = page.locator(".u-over").first.bounding_box()
    assert box is not None
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.25, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, middle, steps=4)
    page.mouse.up()
    wait_until(page, "document.querySelector('.window').textContent !== '0:00 to 2:00'")
    begin, end = re.fullmatch(r"0:(\d\d) to ([01]:\d\d)", window(page)).groups()  # type: ignore[union-attr]
    assert 29 <= int(begin) <= 31
    assert end in ("0:59", "1:00", "1:01")
    assert colours(page) != before
    page.mouse.dblclick(box["x"] + 200, middle)
    wait_until(page, "document.querySelector('.window').textContent === '0:00 to 2:00'")


def test_keys_and_buttons_do_the_same_as_the_mouse(opened: Opener, review: Path) -> None:
    page = opened(review)
    page.locator(".plots").focus()
    page.keyboard.press("+")
    assert window(page) == "0:30 to 1:30"
    page.keyboard.press("ArrowRight")
    assert window(page) == "0:45 to 1:45"
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("-")
    assert window(page) == "0:00 to 2:00"
    page.get_by_role("button", name="Closer").click()
    page.get_by_role("button", name="Later").click()
    assert window(page) == "0:45 to 1:45"
    for _ in range(12):
        page.keyboard.press("+")
        page.get_by_role("button", name="Closer").click()
    assert re.fullmatch(r"1:1\d\.\d to 1:1\d\.\d", window(page))
    page.get_by_role("button", name="Whole take").press("Enter")
    assert window(page) == "0:00 to 2:00"


def test_the_cursor_reads_every_line_with_its_unit(opened: Opener, review: Path) -> None:
    page = opened(review)
    over = page.locator(".u-over").first
    box = over.bounding_box()
    assert box is not None
    over.hover(position={"x": box["width"] * 75 / 120, "y": 60})
    legend = page.locator(".u-legend").first.inner_text().replace("\n", " ")
    assert re.search(r"Time:?\s*1:1[45]\.\d", legend)
    assert re.search(r"north, heard:?\s*58\.\d bpm", legend)
    assert re.search(r"south, heard:?\s*7[12]\.\d bpm", legend)
    assert re.search(r"short echo, told:?\s*7[12]\.\d bpm, clock 10[678]\.\d bpm", legend)


def test_tables_hold_the_facts(opened: Opener, review: Path) -> None:
    page = opened(review)
    assert page.title() == "ferry night: review"
    assert page.get_by_role("heading", level=1).inner_text() == "ferry night"
    assert "The take lasts 2:00, with the decks north and south" in page.locator(".summary").inner_text()
    assert cells(page, "deck-changes")[3][:4] == ["1:25", "north", "speed switch", "58.8 bpm"]
    assert cells(page, "marks")[1] == ["1:11", "19:04:23", "kettle on ☕ 灯台"]
    assert len(cells(page, "states")) == 18
    assert [row[0] for row in cells(page, "pedals")] == ["long echo", "short echo"]
    assert "killed by signal 9" in cells(page, "what-went-wrong")[2][1]
    assert "Ended: tapebridge end" in page.locator("footer").inner_text()


def test_no_width_scrolls_sideways(opened: Opener, tmp_path: Path) -> None:
    page = opened(write_marks(tmp_path, "horns" * 400, EVIL), 1920)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in (1920, 1000, 768, 706, 360, 320):
        page.set_viewport_size({"width": width, "height": 800})
        wait_until(page, f"document.querySelector('.uplot').offsetWidth < {width}")
        wait_until(page, f"document.documentElement.scrollWidth <= {width}")
        assert all(count > 10 for count in colours(page))


WORDS_BROKEN = """() => [...document.querySelectorAll('thead th, h2')].flatMap(head => {
    const walk = document.createTreeWalker(head, NodeFilter.SHOW_TEXT), broken = [];
    for (let node = walk.nextNode(); node; node = walk.nextNode())
        for (const word of node.data.matchAll(/[^\\s-]+/g)) {
            const range = document.createRange();
            range.setStart(node, word.index);
            range.setEnd(node, word.index + word[0].length);
            if (new Set([...range.getClientRects()].map(r => r.top)).size > 1) broken.push(word[0]);
        }
    return broken; })"""


def test_long_names_break_no_word_of_a_heading_and_no_width(opened: Opener, tmp_path: Path) -> None:
    name = "northwesternmost_of_the_lighthouses_tapes"
    facts = [replace(f, deck=name) if getattr(f, "deck", "") == "north" else f for f in ferry_night()]
    facts = [replace(f, pedal=name * 2) if getattr(f, "pedal", "") == "long echo" else f for f in facts]
    page = opened(write_review(write_take(tmp_path, facts)))
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in (1200, 1000, 768, 706, 360, 320):
        page.set_viewport_size({"width": width, "height": 800})
        wait_until(page, f"document.documentElement.scrollWidth <= {width}")
        assert page.evaluate(WORDS_BROKEN) == []


def test_a_page_can_be_made_again_from_beside_the_folder_that_holds_its_take(opened: Opener, tmp_path: Path) -> None:
    page = opened(write_review(write_take(tmp_path / "my recordings" / "ferry-night", ferry_night())))
    assert page.locator("footer").inner_text().endswith("tapebridge review 'my recordings/ferry-night'")


def brightness(page: Page, of: str) -> float:
    ask = f"getComputedStyle(document.documentElement).{of}.match(/[\\d.]+/g).map(Number)"
    return sum(page.evaluate(ask)[:3]) / 3


def test_dark_and_light_follow_the_system_even_while_open(opened: Opener, review: Path) -> None:
    page = opened(review, color_scheme="dark")
    assert brightness(page, "backgroundColor") < 50 < 180 < brightness(page, "color")
    marker = "getComputedStyle(document.querySelectorAll('.u-marker')[1]).borderTopColor"
    dark = page.evaluate(marker)
    page.emulate_media(color_scheme="light")
    wait_until(page, f"{marker} !== '{dark}'")
    assert brightness(page, "color") < 60 < 220 < brightness(page, "backgroundColor")


def test_no_text_is_fainter_than_4_5_to_1(opened: Opener, review: Path) -> None:
    """Contrast of every ink on the paper. Source: W3C WCAG 2.2, success criterion 1.4.3, and its relative luminance."""
    names = ["ink", "faint", "lamp", "deck-0", "deck-1", "deck-2", "deck-3"]
    for scheme in ("light", "dark"):
        page = opened(review, color_scheme=scheme)
        ask = "name => getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim()"
        paper = luminance(page.evaluate(ask, "paper"))
        for name in names:
            light, dark = sorted((luminance(page.evaluate(ask, name)), paper), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (scheme, name)


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_it_prints_light_with_everything_unfolded_and_comes_back(opened: Opener, review: Path) -> None:
    page = opened(review, color_scheme="dark")
    page.get_by_role("button", name="Closer").click()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--paper').trim()") == "#fff"
    assert window(page) == "0:00 to 2:00"
    assert page.evaluate("[...document.querySelectorAll('details')].every(d => d.open)")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert brightness(page, "backgroundColor") < 50
    pdf = page.pdf(format="A4")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 5


def test_any_mark_stays_harmless_and_readable(opened: Opener, tmp_path: Path) -> None:
    texts = [EVIL, EMOJI, "fog " * 2500, "{{ 7 * 7 }}", "", "\0\x1b]0;x\x07", "\udc80"]
    page = opened(write_marks(tmp_path, *texts))
    assert page.locator("img, section b").count() == 0
    for text, (_, _, shown) in zip(texts, cells(page, "marks"), strict=False):
        readable = re.sub("[\0-\x08\x0b-\x1f\x7f\udc80]", "�", text)
        assert shown == readable or (len(text) > 300 and shown.endswith(readable))
    assert colours(page)[0] > 10


def test_a_long_mark_is_folded_and_opens(opened: Opener, tmp_path: Path) -> None:
    page = opened(write_marks(tmp_path, "tide " * 2000))
    row = page.locator("section[aria-labelledby='marks'] tbody tr").first
    assert row.bounding_box()["height"] < 120  # type: ignore[index]
    row.locator("summary").click()
    assert row.bounding_box()["height"] > 400  # type: ignore[index]


def empty_start() -> list[Fact]:
    return [TakeStarted(at=1.0, wall=WALL, name="night", version="0", decks=("north",), pedals=())]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "Nothing was written down in this take."),
        (schema_line(), "Nothing was written down in this take."),
        (b"\x89PNG\r\n" + bytes(range(256)), "Nothing was written down in this take."),
    ],
)
def test_a_take_without_facts_is_a_page_that_says_so(opened: Opener, tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "journal.jsonl").write_bytes(data)
    page = opened(write_review(tmp_path))
    assert said in page.locator("header").inner_text()
    assert "There is nothing to plot" in page.locator("main").inner_text()
    assert "does not say that the take ended" in page.locator("footer").inner_text()


def test_a_take_that_only_began_is_a_page(opened: Opener, tmp_path: Path) -> None:
    page = opened(write_review(write_take(tmp_path, empty_start())))
    assert "The take lasts 0:00, with the deck north" in page.locator("header").inner_text().replace("\xa0", " ")


def test_a_take_still_running_is_drawn_and_said(opened: Opener, tmp_path: Path) -> None:
    running = [f for f in ferry_night() if f.at < BEGAN + 60 and not isinstance(f, TakeEnded)]
    page = opened(write_review(write_take(tmp_path, running)))
    assert window(page) == "0:00 to 0:59"
    assert "The journal does not say that the take ended" in page.locator("#what-went-wrong + .body").inner_text()


def test_a_whole_night_opens_fast(opened: Opener, tmp_path: Path) -> None:
    """Four hours of the sample, one after another; the page is there and zooms."""
    once = [f for f in ferry_night() if type(f).__name__ in ("BeatPlaced", "LevelHeard", "PedalTold")]
    shifted: list[Fact] = []
    for round_ in range(120):
        for fact in once:
            more = {"known": fact.known + 120 * round_} if hasattr(fact, "known") else {}
            shifted.append(replace(fact, at=fact.at + 120 * round_, **more))
    page = opened(write_review(write_take(tmp_path, shifted)))
    assert window(page) == "0:00 to 3:59:59"
    took = page.evaluate(
        "() => { const t = performance.now(); document.querySelector('[data-do=closer]').click(); "
        "return new Promise(done => requestAnimationFrame(() => done(performance.now() - t))); }"
    )
    assert took < 2000


def test_all_files_are_written_and_replaced_whole(tmp_path: Path) -> None:
    folder = write_take(tmp_path, ferry_night())
    assert write_review(folder) == folder / "review.html"
    first = (folder / "review.html").read_bytes()
    assert write_review(folder).read_bytes() == first
    assert sorted(path.name for path in folder.iterdir()) == [
        ".review.json",
        "chapters.ffmetadata",
        "chapters.txt",
        "chapters.vtt",
        "journal.jsonl",
        "review.html",
        "tempo.csv",
        "tempo.mid",
    ]
    assert (folder / "tempo.csv").read_bytes().count(b"\r\n") == 1 + sum(
        type(f).__name__ == "BeatPlaced" for f in ferry_night()
    )


def test_no_take_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="is no take"):
        write_review(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the sample take with its kept sound beside it."""
    return write_review(ferry_night_with_sound(tmp_path_factory.mktemp("takes") / "20261125T190312Z-ferry-night"))


@pytest.fixture
def listening(browser: Browser) -> Iterator[tuple[Opener, list[str]]]:
    """Opens pages that may ask for files beside them, and for nothing else; with a list of what they asked for."""
    complaints: list[str] = []
    requests: list[str] = []
    contexts = []

    def open_page(path: Path, **how: Any) -> Page:
        context = browser.new_context(viewport={"width": 1200, "height": 1000}, **how)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: requests.append(request.url))
        page.goto(path.as_uri())
        assert requests == [path.as_uri()]
        requests.clear()
        return page

    yield open_page, requests
    for context in contexts:
        context.close()
    assert complaints == []


def playhead(page: Page) -> float:
    minutes, seconds = page.locator(".playhead").inner_text().split(":")
    return 60 * int(minutes) + int(seconds)


SOUND = "document.querySelector('.play').textContent"


def click_level(page: Page, seconds: float) -> None:
    """Click the plot of levels at a moment of the take."""
    over = page.locator(".u-over").nth(2)
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box is not None
    over.click(position={"x": box["width"] * seconds / LENGTH_S, "y": box["height"] / 2})


def test_a_click_on_the_level_plays_from_that_moment(listening, heard: Path) -> None:
    """100 s lie 6 s into the second listener's file."""
    opened, requests = listening
    page = opened(heard)
    click_level(page, 100.0)
    wait_until(page, "document.querySelector('.playhead').textContent >= '1:41'")
    assert playhead(page) in (101, 102)
    assert page.locator(".play").inner_text() == "Pause"
    assert {Path(url).name for url in requests} == {"sound-002-000000000000.flac"}
    assert all(url.startswith(heard.parent.as_uri()) for url in requests)


def test_sound_goes_on_from_file_to_file(listening, heard: Path) -> None:
    """The first file ends at 30.5 s."""
    opened, requests = listening
    page = opened(heard)
    click_level(page, 29.5)
    wait_until(page, "document.querySelector('.playhead').textContent >= '0:32'")
    assert len({Path(url).name for url in requests}) == 2


def test_a_mark_shows_and_plays_its_moment(listening, heard: Path) -> None:
    opened, _ = listening
    page = opened(heard)
    page.locator("section[aria-labelledby='marks'] a").nth(1).click()
    wait_until(page, "document.querySelector('.playhead').textContent >= '1:12'")
    assert window(page) == "0:41 to 1:41"
    assert playhead(page) in (72, 73)
    page.locator(".play").click()
    assert page.evaluate(SOUND) == "Play"


def test_where_no_sound_was_kept_the_page_says_so(listening, heard: Path) -> None:
    opened, requests = listening
    page = opened(heard)
    click_level(page, 92.7)
    assert page.locator(".said").inner_text() == "No sound was kept at 1:32."
    assert requests == []


def test_sound_that_was_moved_away_is_told_in_words(browser: Browser, tmp_path: Path) -> None:
    """The browser itself notes the missing file on its console; nothing else does."""
    page_path = write_review(ferry_night_with_sound(tmp_path / "night"))
    for path in page_path.parent.glob("sound-*.flac"):
        path.unlink()
    page = browser.new_page()
    page.goto(page_path.as_uri())
    page.locator(".play").click()
    wait_until(page, "document.querySelector('.said').textContent.length > 0")
    assert "cannot be played here" in page.locator(".said").inner_text()
    assert page.evaluate(SOUND) == "Play"
    page.close()


def test_sound_begins_softly_and_not_at_full_loudness(listening, heard: Path) -> None:
    """The loudness is that of the slider, squared, and never more than 0.7 of full scale."""
    opened, _ = listening
    page = opened(heard)
    assert page.locator(".volume").input_value() == "30"
    watch = """() => { const made = [], proto = HTMLMediaElement.prototype;
        const set = Object.getOwnPropertyDescriptor(proto, 'volume').set;
        Object.defineProperty(proto, 'volume', { set(v) { made.push(v); set.call(this, v); } });
        window.made = made; }"""
    page.evaluate(watch)
    page.locator(".volume").fill("100")
    page.evaluate("window.made.length = 0")
    page.locator(".play").click()
    wait_until(page, "window.made.at(-1) > 0.5 && window.made.at(-1) === window.made.at(-2)")
    made = page.evaluate("window.made")
    assert made[0] == 0
    assert made[1] < 0.01
    assert max(made) == pytest.approx(0.7)


def test_the_page_without_sound_has_no_player(opened: Opener, review: Path) -> None:
    page = opened(review)
    assert page.locator(".player").count() == 0
    assert page.locator(".files").count() == 0


def test_loudness_and_silences_are_in_the_tables(listening, heard: Path) -> None:
    opened, _ = listening
    page = opened(heard)
    loud = cells(page, "loudness")
    assert loud[1][0] == "south"
    assert loud[1][4] == "−26.0 dBTP"
    assert ["0:10", "0:20", "10.0 s", "south"] in cells(page, "silences")


def test_an_unsure_beat_is_read_as_such(opened: Opener, review: Path) -> None:
    page = opened(review)
    over = page.locator(".u-over").nth(1)
    box = over.bounding_box()
    assert box is not None
    over.hover(position={"x": box["width"] * 40 / LENGTH_S, "y": 60})
    assert "sure to 80 %" in page.locator(".u-legend").first.inner_text()


def test_a_torn_or_missing_file_of_sound_is_told(listening, tmp_path: Path) -> None:
    opened, _ = listening
    folder = ferry_night_with_sound(tmp_path / "night")
    (folder / "sound-002-000000000000.flac").write_bytes(b"no sound")
    page = opened(write_review(folder))
    wrong = page.locator("#what-went-wrong + .body").inner_text()
    assert "sound-002-000000000000.flac cannot be read" in wrong
    assert "The kept sound ends 0:28 before the take does" in wrong
