"""`python3 -m tests`: sets up what the checks need, runs them all, and says in one line which failed.

What is on the command line goes to pytest: `python3 -m tests tests/send -k tick`.
"""

import os
import subprocess
import sys
from pathlib import Path

from bridge import first_run

DEBIAN = ("chromium", "ffmpeg", "jackd2", "libportaudio2")
"""Debian packages that tests with a real browser, real ports and a real sound flow need; without them these skip."""

PURE = tuple(f"tests/{room}" for room in ("decks", "follow", "foot", "measure", "send", "testing", "test_engine.py"))
"""Tests without a clock, port or process: they may share the machine, so they run on all cores at once."""

CHECKS = {
    "ruff check": ("ruff", "check"),
    "ruff format": ("ruff", "format", "--check"),
    "mypy": ("mypy",),
}
"""What runs first, in this order, each as a module of this Python."""

PYTEST = {
    "pytest of pure rooms": ("pytest", "-n", "auto", *PURE),
    "pytest": ("pytest", *(f"--ignore={path}" for path in PURE)),
}
"""How all tests run: what keeps time has the machine for itself."""


def missing(packages: tuple[str, ...]) -> list[str]:
    """Return which Debian packages are not installed; none on a system without dpkg."""
    query = ["dpkg-query", "--show", "--showformat", "${db:Status-Status}"]
    try:
        found = {p: subprocess.run([*query, p], capture_output=True, text=True, check=False).stdout for p in packages}
    except FileNotFoundError:
        return []
    return [package for package, status in found.items() if status != "installed"]


def run(pytest_arguments: list[str]) -> int:
    """Run every check, also after one that failed; return 0 if all passed, else 1."""
    outcomes = {}
    tests = {"pytest": ("pytest", *pytest_arguments)} if pytest_arguments else PYTEST
    for name, command in (CHECKS | tests).items():
        print(f"== {name}", flush=True)
        check = subprocess.Popen([sys.executable, "-m", *command])
        try:
            outcomes[name] = check.wait()
        except KeyboardInterrupt:  # it got the Ctrl-C as well: let it end what it started
            check.wait()
            sys.exit(130)
    failed = [name for name, status in outcomes.items() if status != 0]
    print(f"== failed: {', '.join(failed)}" if failed else f"== all passed: {', '.join(outcomes)}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    first_run.enter("test")
    if absent := missing(DEBIAN):
        first_run.install_debian(absent)
    os.chdir(Path(__file__).resolve().parents[1])
    sys.exit(run(sys.argv[1:]))
