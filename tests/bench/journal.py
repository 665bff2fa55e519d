"""What the journal costs: recovery of a long one, writing one, and how a review grows with the take; prints JSON.

``python -m tests.bench.journal`` (``--growth`` adds reviews of takes of 15 min, 1, 4 and 12 hours, without sound).
Other work on the machine slows all of it; so beside the seconds stands how long plain JSON parsing of the same lines
takes in the same run, and times are processor times where that is what counts.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

from bridge.journal.codec import fact_line, schema_line
from bridge.journal.recover import recover
from bridge.journal.writer import JournalWriter
from tests.bench.review import facts_of, make_take, reviewed

WANTED = {"recover_100_mb_cpu_s": 5.0, "writing_share_of_a_core": 0.01, "growth_times_linear": 1.0}

MEGABYTES = 100
LENGTHS_H = (0.25, 1.0, 4.0, 12.0)
WRITTEN_S = 60.0
AT_ONCE_S = 0.05


def recovery(megabytes: int) -> dict[str, Any]:
    """Recover a journal of so many MB: a night's lines over and over."""
    lines = b"".join(map(fact_line, facts_of(1.0)))
    data = schema_line() + lines * (megabytes * 1_000_000 // len(lines) + 1)
    began, wall = time.process_time(), time.monotonic()
    found = recover(data)
    spent, passed = time.process_time() - began, time.monotonic() - wall
    assert not found.faults
    began = time.process_time()
    for line in data.splitlines():
        json.loads(line)
    return {
        "megabytes": round(len(data) / 1e6, 1),
        "lines": len(found.facts) + 1,
        "recover_100_mb_cpu_s": round(spent * 1e8 / len(data), 2),
        "seconds": round(passed, 2),
        "json_loads_of_the_same_lines_cpu_s": round(time.process_time() - began, 2),
    }


def writing(seconds: float) -> dict[str, Any]:
    """Write a night's facts as they come, in time, and count the processor time of the whole process."""
    facts = [fact for fact in facts_of(1.0) if 600.0 <= fact.at < 600.0 + seconds]
    with tempfile.TemporaryDirectory() as scratch, JournalWriter(Path(scratch) / "journal.jsonl") as journal:
        time.sleep(0.5)
        began, cpu, number = time.monotonic(), time.process_time(), 0
        while number < len(facts):
            now = time.monotonic() - began + 600.0
            while number < len(facts) and facts[number].at <= now:
                journal.write(facts[number])
                number += 1
            time.sleep(AT_ONCE_S)
        spent, passed = time.process_time() - cpu, time.monotonic() - began
        idle = time.process_time()
        while time.monotonic() - began < passed + 10.0:
            time.sleep(AT_ONCE_S)
        waiting = (time.process_time() - idle) / 10.0
    return {
        "facts_a_second": round(len(facts) / passed, 1),
        "writing_share_of_a_core": round(spent / passed, 5),
        "of_it_the_waiting_of_the_bench_itself": round(waiting, 5),
    }


def growth() -> dict[str, Any]:
    """Review takes of several lengths, and say how much faster than linearly time and memory grow."""
    rows = []
    for hours in LENGTHS_H:
        with tempfile.TemporaryDirectory() as scratch:
            make_take(Path(scratch), hours, sound=False)
            rows.append({"hours": hours, **reviewed(Path(scratch))})
    times = []
    for before, after in pairwise(rows):
        longer = after["hours"] / before["hours"]
        times += [after[key] / before[key] / longer for key in ("cpu_s", "memory_mb")]
    return {"reviews": rows, "growth_times_linear": round(max(times), 3)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.journal", description=__doc__)
    parser.add_argument("--megabytes", type=int, default=MEGABYTES, help="length of the journal to recover")
    parser.add_argument("--growth", action="store_true", help="review takes of several lengths too")
    asked = parser.parse_args()
    found = {**recovery(asked.megabytes), **writing(WRITTEN_S), **(growth() if asked.growth else {})}
    print(json.dumps({**found, "wanted": WANTED}, indent=2))


if __name__ == "__main__":
    main()
