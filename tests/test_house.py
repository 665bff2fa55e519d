"""The rules of the house, read from the code: who may import whom, what a pure room may touch, how things are named.

The tables are the rules. Imports inside functions count as much as those at the top. An import under TYPE_CHECKING
never runs: it counts between our own rooms, since it ties them together, but brings in no library.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

HERE = Path(__file__).resolve().parents[1]

ROOMS = {
    # room: (modules, or packages with all that is in them), (rooms that it may import besides itself)
    "vocabulary": (
        "bridge bridge.actions bridge.events bridge.events_foot bridge.events_hand bridge.events_host "
        "bridge.events_sent bridge.records bridge.errors bridge.units bridge.rig bridge.rig_foot bridge.osc_table",
        "",
    ),
    "first run": ("bridge.first_run", ""),
    "lines": ("bridge.toml_lines", ""),
    "rig text": (
        "bridge.rig_text bridge.rig_table bridge.rig_tables bridge.rig_rules bridge.rig_pedal_rules "
        "bridge.rig_foot_tables bridge.rig_foot_rules bridge.rig_foot_words",
        "vocabulary, lines",
    ),
    "hearing": ("bridge.follow.features bridge.follow.gate bridge.follow.prior", "vocabulary"),
    "follow": ("bridge.follow", "vocabulary, hearing"),
    "decks": ("bridge.decks", "vocabulary, hearing"),
    "tapes": ("bridge.tapes", "vocabulary"),
    "send": ("bridge.send", "vocabulary"),
    "schedule": (
        "bridge.send.schedule bridge.send.clock bridge.send.messages bridge.send.taps bridge.send.delay_times "
        "bridge.send.song bridge.send.plan bridge.send.hands bridge.send.beats bridge.send.loopers bridge.send.looper "
        "bridge.send.loop_edges bridge.send.loop_out bridge.send.loop_watch bridge.send.cues "
        "bridge.send.cue_waits bridge.send.lamps bridge.send.meeting bridge.send.stage "
        "bridge.send.stage_view",
        "vocabulary",
    ),
    "foot": ("bridge.foot", "vocabulary, rig text"),
    "weights": ("bridge.weights", "vocabulary, hearing, follow"),
    "engine": ("bridge.engine", "vocabulary, hearing, follow, decks, tapes, send"),
    "wires": (
        "bridge.edge.awake bridge.edge.child bridge.edge.control bridge.edge.host_clock bridge.edge.jack_watch "
        "bridge.edge.keys "
        "bridge.edge.link bridge.edge.midi bridge.edge.outputs bridge.edge.plugged bridge.edge.port_lock "
        "bridge.edge.port_hand bridge.edge.port_process bridge.edge.port_set bridge.edge.priority",
        "vocabulary, foot",
    ),
    "gear": ("bridge.edge", "vocabulary, lines, wires, measure, foot"),
    "measure": ("bridge.measure", "vocabulary"),
    "journal": ("bridge.journal", "vocabulary"),
    "web": ("bridge.web", ""),
    "review": ("bridge.review", "vocabulary, journal, web"),
    "takes": ("bridge.takes", "vocabulary, journal, review"),
    "lineup": (
        "bridge.lineup",
        "vocabulary, rig text, schedule, measure, wires, gear, journal, review, web",
    ),
    "testing": ("bridge.testing", "vocabulary, schedule"),
    "sender": ("bridge.sender", "vocabulary, schedule, wires"),
    "screen": ("bridge.screen bridge.screen_news", "vocabulary, engine"),
    "listener": ("bridge.listener", "vocabulary, engine, weights, screen, wires, gear, journal"),
    "replay": ("bridge.replay", "vocabulary, rig text, engine, weights, gear, journal, review"),
    "live": ("bridge.live", "vocabulary, rig text, schedule, sender, wires, journal, review"),
    "rehearse": (
        "bridge.rehearse",
        "vocabulary, engine, weights, schedule, live, wires, journal, review, testing",
    ),
    "service": ("bridge.service", ""),
    "cli": (
        "bridge.cli bridge.commands",
        "vocabulary, rig text, service, schedule, measure, lineup, replay, live, rehearse, weights, wires, gear, "
        "journal, review, takes",
    ),
    "start": ("bridge.__main__", "first run, cli"),
}

PURE = (
    "bridge.follow, bridge.decks, bridge.tapes, bridge.measure, bridge.lineup.walk, bridge.lineup.pedals, "
    "bridge.lineup.decks, bridge.lineup.findings, bridge.send, bridge.engine, bridge.review.facts, "
    "bridge.review.drift, bridge.review.echoes, bridge.review.audible, bridge.review.hands, bridge.review.loops, "
    "bridge.review.strokes, bridge.review.chapters, bridge.journal.codec, bridge.journal.recover, bridge.actions, "
    "bridge.events, bridge.events_foot, bridge.events_hand, bridge.events_sent, bridge.records, bridge.errors, "
    "bridge.units, bridge.rig, bridge.rig_foot, bridge.foot, bridge.osc_table"
)
"""Rooms that see no clock, thread, process, file or socket: time and sound arrive in what they are called with."""

PURE_IMPORTS = (
    "__future__, abc, aubio, bisect, cmath, collections, contextlib, copy, csv, dataclasses, difflib, enum, fractions, "
    "functools, gc, heapq, io, itertools, json, math, msgspec, numbers, numpy, operator, re, statistics, "
    "string, struct, types, typing"
)
"""All that a pure room may import from outside. A list of what is harmless misses nothing that is new."""

PURE_CALLS = frozenset({"open", "input", "print", "exec", "eval", "__import__", "breakpoint"})
"""Built-ins that reach out of a pure room."""

LIBRARIES = {
    # library: rooms that may import it; a library that is not named here may be imported anywhere
    "scipy": "review, testing",
    "sounddevice": "gear",
    "rtmidi": "wires, gear",
    "pythonosc": "gear",
    "pydantic": "rig text",
    "click": "cli",
    "jinja2": "review, web",
    "playwright": "",
    "mido": "review",
    "msgspec": "journal",
    "jack": "",
}

SENDER_LIBRARIES = frozenset({"rtmidi"})
"""All that the process which owns the clock imports besides the standard library: it must start fast and stay small."""

INSIDE_FUNCTIONS = frozenset({"sounddevice"})
"""Libraries that are loaded only when they are needed: rehearsal, replay and review work without PortAudio."""

MODULE_LINES = 380
"""A module aims at 350 lines; above this one it is two modules."""

TOP_LEVEL = (
    ".ci, .gitignore, .pictures, bridge, CHANGELOG.md, config, DEVELOPERS.md, LICENSE, "
    "pyproject.toml, README.md, recordings, tests"
)
"""All that may stand at the top of the repository."""

TESTS_OF_THE_WHOLE = frozenset(
    {
        "tests/test_by_foot.py",
        "tests/test_cables.py",
        "tests/test_config.py",
        "tests/test_full_disk.py",
        "tests/test_house.py",
        "tests/test_packaging.py",
        "tests/test_sender_stage.py",
        "tests/send/test_loopers_laws.py",
        "tests/send/test_stage_set.py",
    }
)
"""Tests that mirror no single module."""


class Import(NamedTuple):
    """One imported name.

    Attributes:
        module: Who imports.
        target: What is imported: a module of ours, or else the full name outside.
        line: Where.
        runs: Whether it is more than a hint for the type checker.
        at_top: Whether it runs as soon as the module is loaded.
    """

    module: str
    target: str
    line: int
    runs: bool
    at_top: bool


class House:
    """The sources of a package `bridge` under some folder, as `ast` reads them."""

    def __init__(self, root: Path) -> None:
        self.paths = {self._name(root, path): path for path in sorted(root.glob("bridge/**/*.py"))}
        self.trees = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in self.paths.items()}
        self.imports = {name: list(self._imports(name)) for name in self.trees}
        self._root = root

    def where(self, module: str, line: int) -> str:
        return f"{self.paths[module].relative_to(self._root).as_posix()}:{line}"

    def loaded_by(self, start: str) -> Iterator[Import]:
        """Yield every import that ``start``, a module or a whole package, brings about when it is loaded and used."""
        ahead = [name for name in self.paths if name == start or name.startswith(f"{start}.")]
        seen = set(ahead)
        while ahead:
            for found in self.imports[ahead.pop()]:
                if not found.runs:
                    continue
                yield found
                parts = found.target.split(".")
                for name in (".".join(parts[: n + 1]) for n in range(len(parts))):  # packages are loaded on the way
                    if name in self.paths and name not in seen:
                        seen.add(name)
                        ahead.append(name)

    @staticmethod
    def _name(root: Path, path: Path) -> str:
        return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")

    def _imports(self, module: str) -> Iterator[Import]:
        tree = self.trees[module]
        checks = [node for node in ast.walk(tree) if isinstance(node, ast.If)]
        hints = inside(body for check in checks if is_for_types(check) for body in check.body)
        called = inside(node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))
        for node in ast.walk(tree):
            if isinstance(node, ast.Import | ast.ImportFrom):
                for target in self._targets(module, node):
                    yield Import(module, target, node.lineno, id(node) not in hints, id(node) not in called)

    def _targets(self, module: str, node: ast.Import | ast.ImportFrom) -> Iterator[str]:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
            return
        base = node.module or ""
        if node.level:  # relative: from the package that the module stands in
            package = module.split(".") if self.paths[module].name == "__init__.py" else module.split(".")[:-1]
            base = ".".join([*package[: len(package) - node.level + 1], *filter(None, [base])])
        for alias in node.names:
            name = f"{base}.{alias.name}"
            yield name if name in self.paths or not is_ours(base) else base


def inside(nodes: Iterable[ast.AST]) -> set[int]:
    """Return the ids of all nodes in and under ``nodes``."""
    return {id(inner) for node in nodes for inner in ast.walk(node)}


def is_for_types(check: ast.If) -> bool:
    return ast.unparse(check.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")


def is_ours(name: str) -> bool:
    return name.split(".")[0] == "bridge"


def is_pure(module: str) -> bool:
    return any(module == room or module.startswith(f"{room}.") for room in listed(PURE))


def room_of(module: str) -> str | None:
    """Return the room of a module of ours: the one that names it, or names the nearest package around it."""
    rooms = {name: room for room, (names, _) in ROOMS.items() for name in names.split()}
    while module not in rooms and module.count(".") > 1:
        module = module.rpartition(".")[0]
    return rooms.get(module)


def listed(names: str) -> list[str]:
    return [name.strip() for name in names.split(",") if name.strip()]


def breaches(house: House) -> list[str]:
    """Return every breach of the tables above, each with file and line."""
    return [
        *(f"{house.where(name, 1)} {name} stands in no room" for name in house.paths if room_of(name) is None),
        *between_rooms(house),
        *in_pure_rooms(house),
        *of_libraries(house),
    ]


def between_rooms(house: House) -> Iterator[str]:
    for found in (i for imports in house.imports.values() for i in imports if is_ours(i.target)):
        room, other = room_of(found.module), room_of(found.target)
        if room and room != other and other not in listed(ROOMS[room][1]):
            yield f"{house.where(found.module, found.line)} {room} may not import {other} ({found.target})"


def in_pure_rooms(house: House) -> Iterator[str]:
    for module in filter(is_pure, house.paths):
        for found in house.imports[module]:
            if found.runs and not is_ours(found.target) and found.target.split(".")[0] not in listed(PURE_IMPORTS):
                yield f"{house.where(module, found.line)} is pure, and may not import {found.target}"
        for node in ast.walk(house.trees[module]):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in PURE_CALLS:
                yield f"{house.where(module, node.lineno)} is pure, and may not call {node.func.id}()"


def of_libraries(house: House) -> Iterator[str]:
    for found in (i for imports in house.imports.values() for i in imports if i.runs and not is_ours(i.target)):
        library = found.target.split(".")[0]
        if library in LIBRARIES and room_of(found.module) not in listed(LIBRARIES[library]):
            yield f"{house.where(found.module, found.line)} may not import {library}"
        if library in INSIDE_FUNCTIONS and found.at_top:
            yield f"{house.where(found.module, found.line)} may import {library} inside a function only"
    for found in house.loaded_by("bridge.sender"):
        library = found.target.split(".")[0]
        if not is_ours(library) and library not in SENDER_LIBRARIES | sys.stdlib_module_names:
            yield f"{house.where(found.module, found.line)} brings {library} into the sender"


@cache
def ours() -> House:
    return House(HERE)


def test_no_import_breaks_the_rules_of_the_house() -> None:
    assert "\n".join(breaches(ours())) == ""


def test_every_room_in_the_tables_is_known() -> None:
    """A misspelt room in a table would permit nothing and forbid nothing."""
    named = [name for _, may in ROOMS.values() for name in listed(may)]
    named += [name for rooms in LIBRARIES.values() for name in listed(rooms)]
    assert set(named) <= ROOMS.keys()


def test_no_two_rooms_import_each_other() -> None:
    """What is allowed is a ladder: rooms can be ordered so that each imports only rooms before it."""
    left = {room: set(listed(may)) for room, (_, may) in ROOMS.items()}
    while free := {room for room, needs in left.items() if not needs & left.keys()}:
        left = {room: needs for room, needs in left.items() if room not in free}
    assert not left


@pytest.mark.parametrize(
    ("path", "source", "breach"),
    [
        ("bridge/units.py", "\nimport bridge.rig_text", "bridge/units.py:2 vocabulary may not import rig text"),
        ("bridge/send/policies.py", "def f():\n  from bridge.edge import midi", ":2 send may not import wires"),
        ("bridge/journal/writer.py", "from ..review import page", ":1 journal may not import review"),
        ("bridge/follow/gain.py", "if TYPE_CHECKING:\n  import bridge.engine", ":2 follow may not import engine"),
        ("bridge/sender.py", "from bridge.send.policies import x", ":1 sender may not import send"),
        ("bridge/follow/gate.py", "\n\nfrom time import monotonic", ":3 is pure, and may not import time.monotonic"),
        ("bridge/engine.py", "import concurrent.futures", ":1 is pure, and may not import concurrent.futures"),
        ("bridge/journal/codec.py", "import threading", ":1 is pure, and may not import threading"),
        ("bridge/decks/speed.py", "x = open('x')", ":1 is pure, and may not call open()"),
        ("bridge/follow/gate.py", "from scipy import fft", ":1 may not import scipy"),
        ("bridge/edge/link.py", "import numpy", ":1 brings numpy into the sender"),
        ("bridge/edge/audio.py", "import sounddevice", ":1 may import sounddevice inside a function only"),
        ("bridge/odds.py", "", "bridge/odds.py:1 bridge.odds stands in no room"),
    ],
)
def test_a_breach_is_named_with_file_and_line(tmp_path: Path, path: str, source: str, breach: str) -> None:
    """In a made-up house that is clean without it."""
    house = {
        "bridge/units.py": "from __future__ import annotations",
        "bridge/rig_text.py": "import tomllib, pydantic",
        "bridge/send/policies.py": "import bridge.units",
        "bridge/edge/midi.py": "import rtmidi, threading",
        "bridge/edge/link.py": "if TYPE_CHECKING:\n  import numpy",
        "bridge/edge/audio.py": "def f():\n  import sounddevice, numpy",
        "bridge/review/page.py": "import scipy",
        "bridge/sender.py": "def run():\n  from bridge.edge.link import x\n  import socket",
        "bridge/replay.py": "from bridge.edge import audio",
        "bridge/engine.py": "",
    }

    def build() -> list[str]:
        for name, text in house.items():
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).write_text(text)
        return breaches(House(tmp_path))

    assert build() == []
    house[path] = source
    found = build()
    assert any(line.startswith(path) and breach in line for line in found), found


@pytest.mark.parametrize(
    ("modules", "kept_out"),
    [
        ("bridge.sender", {"numpy", "scipy", "aubio", "pydantic", "rich", "sounddevice"}),
        ("bridge.listener, bridge.engine", {"scipy", "sounddevice"}),
        ("bridge.cli, bridge.rehearse, bridge.replay, bridge.review.page", {"sounddevice"}),
    ],
)
def test_loading_a_part_loads_none_of_what_it_must_do_without(modules: str, kept_out: set[str]) -> None:
    """Asked of Python itself, which also sees what libraries load."""
    code = f"import sys, {modules}; print(*sorted({kept_out} & sys.modules.keys()))"
    done = subprocess.run([sys.executable, "-c", code], cwd=HERE, capture_output=True, text=True, timeout=60)
    assert (done.stdout.strip(), done.stderr) == ("", "")


def unfit_modules(house: House) -> Iterator[str]:
    for name, path in house.paths.items():
        length = len(path.read_text(encoding="utf-8").splitlines())
        if length > MODULE_LINES:
            yield f"{name} has {length} lines: split it"
        if not ast.get_docstring(house.trees[name]):
            yield f"{name} has no docstring"


def test_every_module_is_short_and_says_what_it_is() -> None:
    assert list(unfit_modules(ours())) == []


def test_a_long_or_nameless_module_is_seen(tmp_path: Path) -> None:
    (tmp_path / "bridge").mkdir()
    (tmp_path / "bridge" / "long.py").write_text('"""Long."""\n' * (MODULE_LINES + 1))
    (tmp_path / "bridge" / "bare.py").write_text("x = 1")
    assert list(unfit_modules(House(tmp_path))) == [
        "bridge.bare has no docstring",
        f"bridge.long has {MODULE_LINES + 1} lines: split it",
    ]


def test_only_the_allowed_names_stand_at_the_top() -> None:
    if not (HERE / ".git").exists():
        pytest.skip("needs a git checkout, to tell what is kept from what lies about")
    kept = subprocess.run(["git", "ls-files"], cwd=HERE, capture_output=True, text=True, check=True).stdout.splitlines()
    assert {name.split("/")[0] for name in kept} - set(listed(TOP_LEVEL)) == set()


def unmirrored(root: Path) -> Iterator[str]:
    """Yield every tests/<room>/test_<module>.py without a bridge/<room>/<module>.py, or a folder, of that name.

    Training is a tool of its own: its tests stand beside what they test.
    """
    for path in sorted((root / "tests").rglob("test_*.py")):
        place = path.parent.relative_to(root / "tests")
        whole = root / "tests" if place.parts[:1] == ("training",) else root / "bridge"
        mirrored = whole / place / path.stem.removeprefix("test_")
        name = path.relative_to(root).as_posix()
        if name not in TESTS_OF_THE_WHOLE and not mirrored.is_dir() and not mirrored.with_suffix(".py").is_file():
            yield f"{name} tests no module: there is no {mirrored.relative_to(root).as_posix()}.py"
        if not (path.parent / "__init__.py").is_file():
            yield f"{name} stands in no package: its folder has no __init__.py"


def test_tests_mirror_the_house() -> None:
    assert list(unmirrored(HERE)) == []


def test_a_test_of_nothing_is_seen(tmp_path: Path) -> None:
    for name in (
        "bridge/send/clock.py",
        "tests/send/__init__.py",
        "tests/send/test_clock.py",
        "tests/send/test_odd.py",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    (tmp_path / "tests" / "test_send.py").touch()
    assert list(unmirrored(tmp_path)) == [
        "tests/send/test_odd.py tests no module: there is no bridge/send/odd.py",
        "tests/test_send.py stands in no package: its folder has no __init__.py",
    ]
