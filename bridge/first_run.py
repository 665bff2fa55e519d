"""The first run in a checkout: makes `.venv`, installs the bridge there, and goes on inside it.

It runs on a bare interpreter, so it imports the standard library only, and loads on Pythons from 3.8 on, to say that
they are too old. An environment that has every dependency already is used as it is. A `.venv` that this module did not
make is installed into, but never removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from collections.abc import Iterator

CHECKOUT = Path(__file__).resolve().parents[1]
"""The folder that holds the package: a checkout, if a pyproject.toml stands in it."""

OLDEST = (3, 11)
TOO_NEW = (3, 14)
"""Pythons that the bridge runs on: from OLDEST to below TOO_NEW, as in pyproject.toml."""


def in_checkout(folder: Path = CHECKOUT) -> bool:
    """Return whether the package runs from a checkout, not from where pip installed it."""
    return (folder / "pyproject.toml").is_file()


def enter(*extras: str, checkout: Path = CHECKOUT) -> None:
    """Return when this interpreter has all that pyproject.toml asks for; otherwise run the command again in `.venv`.

    `.venv` is made, or brought up to date, where that is needed; one line on standard error says so.

    Args:
        extras: Names of optional dependency sets that are needed too, such as ``test``.
        checkout: Folder with the pyproject.toml.

    Raises:
        SystemExit: The Python is too old or too new, or the set-up failed; the text says what to do. Or the command
            ran in `.venv`, on a system that cannot replace a process: then with its exit status.
    """
    _check_python()
    venv = Venv(checkout)
    if venv.has(extras) if venv.is_active() and venv.is_ours() else has_all(checkout, extras):
        return
    if not venv.is_complete(extras):  # asked before the lock is taken: a checkout may be read-only
        try:
            with _alone(checkout):
                if not venv.is_complete(extras):  # the other first run may have completed it
                    venv.prepare(extras)
        except KeyboardInterrupt:
            sys.exit("Stopped during the set-up. The next run takes it up again.")
        except OSError as error:
            sys.exit(
                f"The set-up failed: {error.filename or checkout}: {error.strerror or error}. It makes and fills "
                f"{venv.folder}: see that you may write there and that the disk has room, or copy the checkout to a "
                "folder of your own; then run the same command again."
            )
    _run_again(venv.python)


def has_all(checkout: Path, extras: tuple[str, ...]) -> bool:
    """Return whether this interpreter finds every distribution that is asked for on every system, of any version."""
    for requirement in _requirements(checkout, extras):
        if ";" in requirement:  # needed on some systems only
            continue
        try:
            importlib.metadata.version(re.split(r"[^\w.-]", requirement)[0])
        except importlib.metadata.PackageNotFoundError:
            return False
    return True


def install_debian(packages: list[str]) -> bool:
    """Install Debian packages, and say so; return whether they were installed.

    Only root on a system with apt-get can; anybody else is told the command.
    """
    command = ["apt-get", "install", "--yes", "--no-install-recommends", *packages]
    if shutil.which("apt-get") is None or not hasattr(os, "geteuid"):
        return False
    if os.geteuid() != 0:
        _say(f"Missing Debian packages: {', '.join(packages)}. Install them: sudo {' '.join(command)}")
        return False
    _say(f"Installing Debian packages: {', '.join(packages)}")
    path = f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin"  # dpkg wants root's own programs, too
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive", "PATH": path}
    for step in (["apt-get", "update"], command):
        done = subprocess.run([step[0], "-qq", *step[1:]], env=environment, stdout=subprocess.DEVNULL, check=False)
        if done.returncode != 0:
            _say(f"{' '.join(step)} ended with status {done.returncode}; its message stands above.")
            return False
    importlib.invalidate_caches()
    return True


class Venv:
    """The virtual environment `.venv` of a checkout, and the record in it of what was installed."""

    def __init__(self, checkout: Path) -> None:
        self.checkout = checkout
        self.folder = checkout / ".venv"
        self.python = self.folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
        self._record = self.folder / "tape-bridge.json"

    def is_active(self) -> bool:
        """Return whether this very interpreter runs in it."""
        return Path(sys.prefix).resolve() == self.folder.resolve()

    def is_ours(self) -> bool:
        """Return whether this module made it, or installed into it."""
        return self._record.is_file()

    def has(self, extras: tuple[str, ...]) -> bool:
        """Return whether what pyproject.toml asks for now, with these extras, was installed in it."""
        installed = self._installed()
        return all(installed.get(e) == _print_of(self.checkout, e) for e in ("", *extras))

    def is_complete(self, extras: tuple[str, ...]) -> bool:
        """Return whether it has all that is asked for, and an interpreter that runs."""
        return self.has(extras) and self.works()

    def prepare(self, extras: tuple[str, ...]) -> None:
        """Bring it up to date; make it anew where it is absent, half made, or its interpreter is gone.

        Raises:
            SystemExit: That failed; the text says what to do.
        """
        if self.is_ours() and not self.is_active() and not (self._installed() and self.works()):
            shutil.rmtree(self.folder)
        if not self.folder.exists():
            self._make()
        elif not self.works():
            sys.exit(f"{self.folder} holds no Python that runs. Remove that folder, then run the same command again.")
        wanted = sorted({e for e in self._installed() if e and e in _extras(self.checkout)} | set(extras))
        _say(
            f"Setting up: installing what Tape Bridge stands on into {self.folder} (from the network; minutes at most)"
        )
        target = f".[{','.join(wanted)}]" if wanted else "."
        pip = [str(self.python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input"]
        _step([*pip, "--editable", target], self.checkout)
        self._write({e: _print_of(self.checkout, e) for e in ("", *wanted)})

    def _make(self) -> None:
        if importlib.util.find_spec("ensurepip") is None:
            package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"  # Debian keeps ensurepip apart
            if not install_debian([package]):
                sys.exit(
                    f"{sys.executable} cannot make virtual environments: it lacks the module ensurepip. "
                    f"Install it (on Debian: sudo apt-get install {package}), then run the same command again."
                )
        self.folder.mkdir()
        self._write({})  # until this is filled, the folder counts as half made
        _step([sys.executable, "-m", "venv", str(self.folder)], self.checkout)

    def works(self) -> bool:
        """Return whether its interpreter runs."""
        try:
            return subprocess.run([self.python, "-c", ""], check=False).returncode == 0
        except OSError:  # absent, or a link to an interpreter that was removed
            return False

    def _installed(self) -> dict[str, str]:
        try:
            record: dict[str, str] = json.loads(self._record.read_text(encoding="utf-8"))
        except (OSError, ValueError):  # absent, or cut short by a crash
            return {}
        return record

    def _write(self, record: dict[str, str]) -> None:
        self._record.write_text(json.dumps(record), encoding="utf-8")


def _check_python() -> None:
    if not OLDEST <= sys.version_info[:2] < TOO_NEW:
        sys.exit(
            f"Tape Bridge runs on Python {OLDEST[0]}.{OLDEST[1]} to {TOO_NEW[0]}.{TOO_NEW[1] - 1}; {sys.executable} is "
            f"Python {sys.version.split()[0]}. Install one of these, and run the same command with it."
        )


def _project(checkout: Path) -> dict[str, Any]:
    import tomllib  # not at the top: a Python that lacks it must live to be told so

    project: dict[str, Any] = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return project


def _extras(checkout: Path) -> dict[str, list[str]]:
    extras: dict[str, list[str]] = _project(checkout).get("optional-dependencies", {})
    return extras


def _requirements(checkout: Path, extras: tuple[str, ...]) -> list[str]:
    optional = _extras(checkout)
    return [*_project(checkout).get("dependencies", []), *(r for extra in extras for r in optional[extra])]


def _print_of(checkout: Path, extra: str) -> str:
    """Return a hash of one set of requirements and of where the checkout stands; the editable install points there."""
    wanted = [str(checkout), *sorted(_requirements(checkout, (extra,) if extra else ()))]
    return hashlib.sha256("\n".join(wanted).encode()).hexdigest()


@contextlib.contextmanager
def _alone(checkout: Path) -> Iterator[None]:
    """Hold the checkout's lock: of two first runs at once, one waits for the other. The system frees it at a crash."""
    with (checkout / ".venv.lock").open("a") as lock:
        told = False
        while not _locked(lock.fileno()):
            if not told:
                _say(f"Another first run is at work in {checkout}; waiting for it.")
            told = True
            time.sleep(0.2)
        yield


def _locked(descriptor: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # somebody else holds it
        return False
    return True


def _step(command: list[str], folder: Path) -> None:
    status = subprocess.run(command, cwd=folder, stdin=subprocess.DEVNULL, check=False).returncode
    if status != 0:
        sys.exit(
            f"The set-up failed: {' '.join(command)} ended with status {status}; its message stands above. "
            "Check the network and the free space, then run the same command again."
        )


def _run_again(python: Path) -> NoReturn:
    command = [str(python), *sys.orig_argv[1:]]
    if sys.platform != "win32":
        os.execv(python, command)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the command too: that one ends, this one waits for it
    sys.exit(subprocess.run(command, check=False).returncode)


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)  # noqa: T201 - the set-up of a command line, before its library is there
