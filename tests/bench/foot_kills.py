"""Kill the listener at a hundred instants around cues and around the close of a recording, each in a set of its own.

``python -m tests.bench.foot_kills`` prints as JSON what was not done once, or not on its bar; it takes a few minutes.
"""

import argparse
import json
import tempfile
from pathlib import Path

from tests.toy_tape import FIRST_KILL_S, LAST_KILL_S, faults, sets


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instants", type=int, default=100)
    parser.add_argument("--at-once", type=int, default=6, help="sets that are played at the same time")
    asked = parser.parse_args()
    step_s = (LAST_KILL_S - FIRST_KILL_S) / max(1, asked.instants - 1)
    kills_s = [FIRST_KILL_S + number * step_s for number in range(asked.instants)]
    with tempfile.TemporaryDirectory() as folder:
        results = sets(Path(folder), kills_s, asked.at_once)
    found = [fault for result in results for fault in faults(result)]
    restarted = sum(result["starts"] == 2 for result in results)
    print(json.dumps({"sets": len(results), "listeners_killed": restarted, "faults": found}, indent=2))


if __name__ == "__main__":
    main()
