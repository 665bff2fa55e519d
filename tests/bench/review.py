"""What a review costs: time, memory, size of the page, and how soon a browser shows it.

``python -m tests.bench.review --hours 4`` prints JSON. The take is made up: two decks that wander, two pedals, marks,
changes, a restart, and two channels of kept sound at 48 kHz (``--no-sound`` leaves that out).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile

from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    LevelHeard,
    ListenerStarted,
    MarkPlaced,
    PedalTold,
    SoundKept,
    TakeEnded,
    TakeStarted,
    WallClockRead,
)
from bridge.journal.codec import fact_line, schema_line

WANTED = {"seconds": 30.0, "memory_mb": 600.0, "html_mb": 5.0, "paint_later_s": 1.0}
"""For a take of four hours."""

RATE = 48_000
SEGMENT_S = 120
SIDE_S = 420.0
"""A tape plays for so long before another one."""

CHROMIUM = Path("/usr/bin/chromium")
PAINTS = 5


def facts_of(hours: float) -> list[Fact]:
    """Every fact of a made-up take, in the order of their times."""
    end = 3600.0 * hours
    rng = np.random.default_rng(1)
    facts: list[Fact] = [
        TakeStarted(at=0, wall=1.8e9, name="bench", version="0", decks=("north", "south"), pedals=("long", "short")),
        ListenerStarted(at=0.1, pid=1, start=1, rate=RATE, source="made up"),
    ]
    for deck, pedal, late in (("north", "long", 5.0), ("south", "short", 60.0)):
        facts += played(deck, pedal, late, end, rng)
    facts += [SoundKept(at=0.5 + at, frame=int(at) * RATE, decks=("north", "south")) for at in np.arange(0, end, 60)]
    facts += [WallClockRead(at=float(at), wall=1.8e9 + at) for at in np.arange(0, end, 60)]
    facts += [
        MarkPlaced(at=float(at), wall=1.8e9 + at, text=f"the ferry answers {at:.0f}")
        for at in range(200, int(end), 400)
    ]
    facts.append(TakeEnded(at=end, why="the bench was over"))
    return sorted(facts, key=lambda fact: fact.at)


def played(deck: str, pedal: str, begin: float, end: float, rng: np.random.Generator) -> list[Fact]:
    """One deck: tape after tape, each with a beat that wanders and is lost for a while."""
    facts: list[Fact] = [
        LevelHeard(at=float(at), deck=deck, level_db=float(-20 + 4 * np.sin(at / 40) + rng.normal()))
        for at in np.arange(1, end)
    ]
    index, told_at, tempo = 0, 0.0, None
    while begin < end - 20:
        new = float(rng.uniform(60, 120))
        until = min(end, begin + SIDE_S)
        facts.append(change(deck, begin, tempo, new))
        facts.append(FollowerChanged(at=begin + 4, deck=deck, was="listening", now="following"))
        at = begin + 1
        while at < until - 40:
            tempo = new * (1 + 0.01 * np.sin(at / 90) + 0.002 * np.sin(5 * at))
            sure = float(rng.uniform(0.4, 1))
            facts.append(BeatPlaced(at=at, deck=deck, index=index, tempo=tempo, confidence=sure, known=at + 0.4))
            if at - told_at > 2:
                told_at = at
                facts.append(PedalTold(at=at + 0.3, pedal=pedal, deck=deck, tempo=tempo, ratio=1.0, why="drift"))
            at, index = at + 60 / tempo, index + 1
        facts.append(FollowerChanged(at=until - 40, deck=deck, was="following", now="holding"))
        facts.append(FollowerChanged(at=until - 10, deck=deck, was="holding", now="listening"))
        begin = until
    return facts


def change(deck: str, at: float, before: float | None, after: float) -> Fact:
    """A tape change."""
    return DeckChanged(
        at=at,
        deck=deck,
        change="another tape",
        tempo_before=before,
        tempo_after=after,
        level_before_db=-60.0,
        level_after_db=-20.0,
        known=at + 4,
    )


def write_sound(folder: Path, hours: float) -> None:
    """Write segments of two channels: hits that fade over a bed and hiss. Three are made, the others are the same."""
    rng = np.random.default_rng(2)
    made = []
    for number in range(round(3600 * hours / SEGMENT_S)):
        path = folder / f"sound-001-{number * SEGMENT_S * RATE:012}.flac"
        if number < 3:
            soundfile.write(path, tape(rng, number), RATE, subtype="PCM_24")
            made.append(path)
        else:
            shutil.copyfile(made[number % 3], path)


def tape(rng: np.random.Generator, number: int) -> np.ndarray:
    """One segment of two decks, shape (frames, 2)."""
    at = np.arange(SEGMENT_S * RATE) / RATE
    sound = rng.normal(0, 0.001, (len(at), 2)).astype(np.float32)
    for deck, tempo in enumerate((84 + number, 118 - number)):
        since = at % (60 / tempo)
        sound[:, deck] += 0.3 * np.exp(-12 * since) * rng.normal(0, 0.5, len(at)) + 0.05 * np.sin(2 * np.pi * 110 * at)
    return sound


def make_take(folder: Path, hours: float, sound: bool) -> None:
    """Write a take's folder."""
    lines = schema_line() + b"".join(map(fact_line, facts_of(hours)))
    (folder / "journal.jsonl").write_bytes(lines)
    if sound:
        write_sound(folder, hours)


def review_alone(folder: Path) -> dict[str, Any]:
    """Review a take in this process, and say what that took. For a fresh process."""
    began, cpu = time.monotonic(), time.process_time()
    from bridge.review.measured import WORKERS  # loading all of it counts
    from bridge.review.page import write_review

    page = write_review(folder)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    unit = 1024 if sys.platform == "linux" else 1024**2
    workers = min(os.cpu_count() or 1, WORKERS) if children.ru_maxrss else 0
    return {
        "seconds": round(time.monotonic() - began, 2),
        "cpu_s": round(time.process_time() - cpu + children.ru_utime + children.ru_stime, 2),
        "memory_mb": round((most_memory() + workers * children.ru_maxrss) / unit, 1),
        "memory_is": f"most of the process, and {workers} times that of its largest child",
        "html_mb": round(page.stat().st_size / 1e6, 3),
    }


def most_memory() -> int:
    """Return the most memory that this process held, in the unit of ``ru_maxrss``.

    On Linux that one counts what the process before exec held, which was its parent.
    """
    if sys.platform == "linux":
        status = Path("/proc/self/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def reviewed(folder: Path) -> dict[str, Any]:
    """Review a take in a fresh process."""
    command = [sys.executable, "-m", "tests.bench.review", "--alone", str(folder)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout))


def first_paint(page: Path) -> dict[str, Any]:
    """Return when Chromium first painted the page and an empty one, in turn in one run: medians, in seconds."""
    if not CHROMIUM.exists():
        return {"first_paint": "not measured: Chromium is absent"}
    from playwright.sync_api import sync_playwright

    empty = page.with_name("empty.html")
    empty.write_text("<!DOCTYPE html><title>empty</title><p>empty")
    found: dict[Path, list[float]] = {empty: [], page: []}
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        for _ in range(PAINTS):
            for path, times in found.items():
                tab = browser.new_page(viewport={"width": 1200, "height": 800})
                tab.goto(path.as_uri(), wait_until="commit", timeout=120_000)
                ask = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
                while (at := tab.evaluate(ask)) is None:
                    tab.wait_for_timeout(20)
                times.append(at / 1000)
                tab.close()
        browser.close()
    empty.unlink()
    shown, nothing = median(found[page]), median(found[empty])
    return {"first_paint_s": round(shown, 3), "empty_s": round(nothing, 3), "paint_later_s": round(shown - nothing, 3)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.review", description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0, help="length of the take")
    parser.add_argument("--no-sound", action="store_true", help="leave kept sound out")
    parser.add_argument("--alone", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.alone:
        print(json.dumps(review_alone(arguments.alone)))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        make_take(folder, arguments.hours, not arguments.no_sound)
        result = {"hours": arguments.hours, "channels": 0 if arguments.no_sound else 2, **reviewed(folder)}
        result |= first_paint(folder / "review.html")
    print(json.dumps({**result, "cores": os.cpu_count(), "wanted": WANTED}, indent=2))


if __name__ == "__main__":
    main()
