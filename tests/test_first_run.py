"""The set-up of a first run: real environments and a real pip, on a small checkout that needs no network."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from bridge import first_run

HERE = Path(first_run.__file__).parents[1]
POSIX_ONLY = pytest.mark.skipif(sys.platform == "win32", reason="there is no root on Windows")

COMMAND = """
import sys
sys.path.insert(0, {here!r})
from pathlib import Path
from bridge import first_run
first_run.enter(checkout=Path(__file__).parent)
import lamp
print(sys.prefix, *sys.argv[1:])
sys.exit(7)
"""

BACKEND = """
import shutil
def build_editable(wheel_directory, config_settings=None, metadata_directory=None):
    shutil.copy("house-1-py3-none-any.whl", wheel_directory)
    return "house-1-py3-none-any.whl"
"""


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Return a checkout that depends on a package `lamp`, which lies beside it; `go.py` in it is its command."""
    folder = tmp_path / "check out"  # the space is on purpose
    folder.mkdir()
    write_wheel(folder, "house")
    lamp = write_wheel(tmp_path, "lamp")
    (folder / "backend.py").write_text(BACKEND)
    (folder / "go.py").write_text(COMMAND.format(here=str(HERE)))
    (folder / "pyproject.toml").write_text(
        '[build-system]\nrequires = []\nbuild-backend = "backend"\nbackend-path = ["."]\n'
        f'[project]\nname = "house"\nversion = "1"\ndependencies = ["lamp @ {lamp.as_uri()}"]\n'
        "[project.optional-dependencies]\ntest = []\n"
    )
    return folder


def write_wheel(folder: Path, name: str) -> Path:
    """Write a wheel of one empty module; that of the checkout needs the other."""
    path = folder / f"{name}-1-py3-none-any.whl"
    needs = f"Requires-Dist: lamp @ {(folder.parent / 'lamp-1-py3-none-any.whl').as_uri()}\n" if name == "house" else ""
    with zipfile.ZipFile(path, "w") as wheel:
        wheel.writestr(f"{name}.py", "")
        wheel.writestr(f"{name}-1.dist-info/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 1\n{needs}")
        wheel.writestr(f"{name}-1.dist-info/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        wheel.writestr(f"{name}-1.dist-info/RECORD", "")
    return path


def start(checkout: Path, python: Path = Path(sys.executable)) -> subprocess.Popen[str]:
    command = [str(python), "go.py", "two words", "--flag"]
    return subprocess.Popen(command, cwd=checkout, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def go(checkout: Path) -> tuple[str, str]:
    process = start(checkout)
    out, err = process.communicate(timeout=100)
    assert process.returncode == 7, err
    return out.strip(), err.strip()


def test_two_first_runs_at_once_set_up_once_and_both_go_on_inside(checkout: Path) -> None:
    """With the same arguments, and one line that tells. The runs after that are silent."""
    runs = [start(checkout), start(checkout)]
    said = [run.communicate(timeout=100) for run in runs]
    assert [run.returncode for run in runs] == [7, 7], said
    out = f"{checkout / '.venv'} two words --flag"
    assert [line.strip() for line, _ in said] == [out, out]
    assert sum(err.count("Setting up") for _, err in said) == 1
    assert {len(err.splitlines()) for _, err in said} == {1}  # the other says that it waits

    assert go(checkout) == (out, "")
    own = start(checkout, first_run.Venv(checkout).python)
    assert own.communicate(timeout=100) == (out + "\n", "")


def test_a_failed_set_up_says_so_and_is_made_anew_and_a_stale_one_is_brought_up_to_date(checkout: Path) -> None:
    """What pip put into a half-made environment is not trusted; what else is in a whole one stays."""
    lamp = checkout.parent / "lamp-1-py3-none-any.whl"
    lamp.rename(lamp.with_suffix(".away"))
    process = start(checkout)
    err = process.communicate(timeout=100)[1]
    assert process.returncode == 1
    assert "The set-up failed" in err
    assert "run the same command again" in err

    lamp.with_suffix(".away").rename(lamp)
    venv = checkout / ".venv"
    (venv / "left over").touch()
    go(checkout)
    assert not (venv / "left over").exists()

    (venv / "tape-bridge.json").write_text(json.dumps({"": "of other dependencies"}))
    (venv / "mine").touch()
    assert "Setting up" in go(checkout)[1]
    assert (venv / "mine").exists()
    assert go(checkout)[1] == ""


def test_a_whole_environment_is_used_where_nothing_may_be_written(checkout: Path) -> None:
    """As on a stick that is mounted read-only. That not even a lock is made can be seen as root, too."""
    go(checkout)
    (checkout / ".venv.lock").unlink()
    assert go(checkout)[1] == ""
    assert not (checkout / ".venv.lock").exists()


def test_where_the_set_up_cannot_write_it_says_where_and_what_to_do(checkout: Path) -> None:
    """A folder in place of the lock cannot be opened, not even by root."""
    (checkout / ".venv.lock").mkdir()
    process = start(checkout)
    err = process.communicate(timeout=100)[1]
    assert process.returncode == 1
    assert err.startswith(f"The set-up failed: {checkout / '.venv.lock'}: ")
    assert "copy the checkout to a folder of your own" in err
    assert len(err.splitlines()) == 1


def test_a_folder_that_the_first_run_did_not_make_is_never_removed(checkout: Path) -> None:
    (checkout / ".venv").mkdir()
    (checkout / ".venv" / "mine").touch()
    with pytest.raises(SystemExit, match="Remove that folder"):
        first_run.Venv(checkout).prepare(())
    assert (checkout / ".venv" / "mine").exists()


def test_an_environment_with_all_dependencies_is_used_as_it_is(tmp_path: Path) -> None:
    """Whether a requirement has a bound, an extra or a marker does not matter."""
    (tmp_path / "pyproject.toml").write_text(
        '[project]\ndependencies = ["pytest>=1,<99", "hypothesis[cli]", "absent-anywhere; sys_platform == \'amiga\'"]\n'
        '[project.optional-dependencies]\nmore = ["absent-anywhere"]\n'
    )
    first_run.enter(checkout=tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["pyproject.toml"]
    assert first_run.has_all(tmp_path, ())
    assert not first_run.has_all(tmp_path, ("more",))


@pytest.mark.parametrize("version", [(3, 10, 13), (3, 14, 0)])
def test_a_python_that_does_not_fit_is_refused_by_name(monkeypatch: pytest.MonkeyPatch, version: tuple[int]) -> None:
    monkeypatch.setattr(sys, "version_info", version)
    with pytest.raises(SystemExit, match=r"runs on Python 3\.11 to 3\.13; .* Install one of these"):
        first_run.enter()


def test_the_versions_refused_are_those_that_pyproject_refuses() -> None:
    text = (HERE / "pyproject.toml").read_text()
    low, high = (".".join(map(str, version)) for version in (first_run.OLDEST, first_run.TOO_NEW))
    assert f'requires-python = ">={low},<{high}"' in text


@POSIX_ONLY
def test_without_ensurepip_the_exact_debian_command_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Debian keeps it in a package of its own; nothing is left behind."""
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(shutil, "which", lambda name: "/usr/bin/apt-get")
    package = f"python3.{sys.version_info.minor}-venv"
    with pytest.raises(SystemExit, match=f"sudo apt-get install {package}"):
        first_run.Venv(tmp_path).prepare(())
    assert f"sudo apt-get install --yes --no-install-recommends {package}" in capsys.readouterr().err
    assert not (tmp_path / ".venv").exists()


@POSIX_ONLY
def test_root_gets_debian_packages_installed_after_an_update(monkeypatch: pytest.MonkeyPatch) -> None:
    ran = []

    def run(command: list[str], **options: object) -> subprocess.CompletedProcess[str]:
        ran.append([word for word in command if not word.startswith("-")])
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(shutil, "which", lambda name: "/usr/bin/apt-get")
    monkeypatch.setattr(subprocess, "run", run)
    assert first_run.install_debian(["jackd2", "chromium"])
    assert ran == [["apt-get", "update"], ["apt-get", "install", "jackd2", "chromium"]]
