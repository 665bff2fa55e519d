"""The wheel works from another folder, with all that it needs inside; pyproject.toml says what the code imports."""

from __future__ import annotations

import ast
import importlib.metadata
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

from bridge import __version__

HERE = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))["project"]

COME_WITH_OTHERS = {"pydantic-core", "markupsafe"}
"""Parts of pydantic and of Jinja2 that these document as their own, and pin to a version that fits."""

INSIDE = """
from importlib.resources import files
from bridge.testing.clips import clips_folder
package = files("bridge")
names = ["web/vendor/uPlot.iife.min.js", "web/vendor/uPlot.min.css", "web/vendor/uPlot.LICENSE", "py.typed"]
assert all((package / name).is_file() for name in names)
assert list((package / "web" / "templates").iterdir())
print(package)
print(clips_folder())
"""


def build(kind: str, folder: Path) -> Path:
    """Build a "wheel" or "sdist" into a folder and return its path."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(folder)]
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    (built,) = folder.iterdir()
    return built


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build("wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def site(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the wheel alone installed in it; what it depends on comes from this environment."""
    folder = tmp_path_factory.mktemp("site")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--no-compile"]
    subprocess.run([*pip, "--target", str(folder), str(wheel)], check=True, timeout=60)
    return folder


def run(site: Path, folder: Path, *command: str) -> str:
    """Run a command in ``folder`` with the installed package before all others; return what it prints."""
    environment = os.environ | {"PYTHONPATH": str(site)}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=110)
    assert done.returncode == 0, done.stderr
    return done.stdout


def tapebridge(site: Path, folder: Path, *arguments: str) -> str:
    script = site / "bin" / "tapebridge"
    command = [str(script.with_suffix(".exe"))] if sys.platform == "win32" else [sys.executable, str(script)]
    return run(site, folder, *command, *arguments)


def test_the_installed_command_answers_from_another_folder(site: Path, tmp_path: Path) -> None:
    text = tapebridge(site, tmp_path, "--help")
    assert "rehearse" in text
    assert run(site, tmp_path, sys.executable, "-m", "bridge", "--help").splitlines()[1:] == text.splitlines()[1:]
    assert list(tmp_path.iterdir()) == []  # no environment is made where there is no checkout


def test_the_installed_command_rehearses_from_another_folder(site: Path, tmp_path: Path) -> None:
    """With the clips and the page's parts of the package: no checkout is near."""
    text = tapebridge(site, tmp_path, "rehearse", "--fast", "--folder", "takes")
    (page,) = tmp_path.glob("takes/*/review.html")
    assert str(page.relative_to(tmp_path)) in text
    assert text.count("(wanted: ") == 5


def test_pages_clips_and_licences_are_found_in_the_installed_package(site: Path, tmp_path: Path) -> None:
    package, clips = run(site, tmp_path, sys.executable, "-c", INSIDE).split("\n")[:2]
    assert Path(package) == site / "bridge"
    assert Path(clips) == site / "bridge" / "clips"
    kept = {path.name for path in (HERE / "recordings" / "clips").iterdir()}
    assert {path.name for path in Path(clips).iterdir()} == kept
    assert any(name.endswith(".flac") for name in kept)


def test_the_wheel_holds_nothing_but_the_package_and_its_licences(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0] for name in names} == {"bridge", f"tape_bridge-{__version__}.dist-info"}
    licences = {name.rpartition("/")[2] for name in names if ".dist-info/licenses/" in name}
    assert licences == {"LICENSE", "uPlot.LICENSE", "LICENCE.md"}


def test_the_source_archive_holds_the_tests_and_the_example_rigs(tmp_path: Path) -> None:
    with tarfile.open(build("sdist", tmp_path)) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {"tests/test_packaging.py", "bridge/py.typed", "README.md", "CHANGELOG.md", "DEVELOPERS.md"} <= names
    assert {f"config/{path.name}" for path in (HERE / "config").glob("*.toml")} <= names
    assert not any(name.startswith("recordings/") and "clips" not in name for name in names - {"recordings/README.md"})


def test_every_library_that_the_code_imports_is_declared_and_none_in_vain() -> None:
    distributions = importlib.metadata.packages_distributions()
    imported = set()
    for path in HERE.glob("bridge/**/*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                imported.add((node.module or "").partition(".")[0])
    foreign = imported - sys.stdlib_module_names - {"bridge"}
    of = {library: {plain(name) for name in distributions.get(library, [library])} for library in foreign}
    declared = {plain(re.split(r"[^\w.-]", requirement)[0]) for requirement in PROJECT["dependencies"]}
    assert {library for library, names in of.items() if not names & (declared | COME_WITH_OTHERS)} == set()
    assert declared <= set().union(*of.values())


def plain(name: str) -> str:
    """Return a distribution's name as registries compare it. Source: PEP 503."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_dependency_is_bounded_on_both_sides() -> None:
    for requirement in [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]:
        assert re.search(r">=[\d.]+,<[\d.]+", requirement), requirement
