"""Follow the development set with each follower, with and without a told tempo, and score the beats by kind.

Called by ``python -m tests.bench.follow --corpus build/development``. Every run goes through the engine that plays
live, hop by hop; the deck's tempo range is 31 to 213 bpm, so that it tells nothing. Beside them stands aubio's tracker
alone, whose beats go through nothing of ours. What is told is the item's tempo to within 5 %, of its first tape.
"""

from __future__ import annotations

import importlib.util
import json
import multiprocessing
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any, get_args

import aubio
import numpy as np
import soundfile

from bridge.decks.transport import Transport
from bridge.engine import Engine
from bridge.events import BeatPlaced, SoundHeard
from bridge.events_hand import TempoTold
from bridge.follow.aubio_beat import AubioBeat
from bridge.follow.belief import Belief
from bridge.follow.evidence import Evidence
from bridge.follow.features import Features, hop_frames
from bridge.follow.follower import Follower
from bridge.rig import Deck, FollowerKind, Rig, SoundInput
from bridge.weights import learned

ANY_TEMPO = (31.0, 213.0)
STAGES: tuple[Any, ...] = (Features, Follower, AubioBeat, Evidence, Belief, Transport)
"""What hears a hop: evidence and belief, or aubio's tracker, are within the follower."""

WET = "echo"
"""How the kinds begin that have a pedal's echo in them; the wanted figures were taken on a corpus without."""

DRAWS = 500
"""Draws of the bootstrap over items; intervals hold nine in ten."""

MEASURES = {
    "CMLt": "CMLt",
    "AMLt": "AMLt",
    "tempo within 4 %": "acc4",
    "F steady": "F_ss",
    "first lock, s": "lock",
    "false a min, before": "fp_pre",
    "after": "fp_post",
    "in drones": "fp_only",
}
"""What is shown, and its name in ``score_beats.py``, whose head defines it."""

WANTED = {
    "nothing told": {"CMLt": 0.76, "AMLt": 0.92, "tempo within 4 %": 0.92, "F steady": 0.74, "first lock, s": 3.5},
    "tempo told": {"CMLt": 0.84, "AMLt": 0.94, "tempo within 4 %": 0.97, "F steady": 0.75, "first lock, s": 2.5},
    "false a min": 0.5,
    "cpu_share": 0.05,
    "worst_hop_ms": 8.0,
    "times_real_time": 30,
}


@dataclass
class Run:
    """One follower on all items.

    Attributes:
        name: What it goes by, and whether a tempo was told, in words.
        kind: What finds the beat; None for aubio's tracker alone.
        is_told: Whether a tempo is told.
        scores: Of each item in order, as ``score_beats.py`` gives them.
        spent_ns: Processor time of each stage, in all.
        hops_ns: Time of each hop as a whole.
        seconds: Length of the sound.
    """

    name: str
    kind: FollowerKind | None
    is_told: bool
    scores: list[dict[str, Any]] = field(default_factory=list)
    spent_ns: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    hops_ns: list[int] = field(default_factory=list)
    seconds: float = 0.0

    def add(self, part: Run) -> None:
        """Take in the same run on another item."""
        self.scores += part.scores
        self.hops_ns += part.hops_ns
        self.seconds += part.seconds
        for stage, spent in part.spent_ns.items():
            self.spent_ns[stage] += spent


@contextmanager
def watched(spent_ns: dict[str, int]) -> Iterator[None]:
    """Have every stage add the processor time that it takes; a stage's time holds that of the stages within it."""
    plain = {stage: stage.hear for stage in STAGES}
    for stage, hear in plain.items():
        stage.hear = _timed(hear, stage.__name__.lower(), spent_ns)
    try:
        yield
    finally:
        for stage, hear in plain.items():
            stage.hear = hear


def _timed(hear: Callable[..., Any], name: str, spent_ns: dict[str, int]) -> Callable[..., Any]:
    def heard(*given: Any) -> Any:
        begin = time.thread_time_ns()
        out = hear(*given)
        spent_ns[name] += time.thread_time_ns() - begin
        return out

    return heard


def followed(run: Run, samples: np.ndarray, rate: int, hint: float | None) -> np.ndarray:
    """Return shape (beats, 2): beat time and time known, in seconds, of a sound of shape (frames, 1)."""
    if run.kind is None:
        return of_aubio_alone(run, samples, rate)
    deck = Deck(name="north", channels=(1,), tempo_range=ANY_TEMPO, follower=run.kind)
    engine = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), rate, learned())
    if hint is not None and run.is_told:
        engine.obey(TempoTold(at=0.0, deck=deck.name, tempo=hint))
    rows, hop = [], hop_frames(rate)
    for frame in range(0, len(samples), hop):
        block = SoundHeard(frame=frame, at=frame / rate, samples=samples[frame : frame + hop])
        begin = time.thread_time_ns()
        facts = engine.handle(block)
        run.hops_ns.append(time.thread_time_ns() - begin)
        rows += [(fact.at, fact.known) for fact in facts if isinstance(fact, BeatPlaced)]
    return np.array(rows).reshape(-1, 2)


def of_aubio_alone(run: Run, samples: np.ndarray, rate: int) -> np.ndarray:
    """Return the beats of aubio's tempo tracker as it comes: window and hop of its own defaults."""
    tracker, rows = aubio.tempo("default", 1024, 512, rate), []
    for frame in range(0, len(samples) - 511, 512):
        begin = time.thread_time_ns()
        if tracker(samples[frame : frame + 512, 0])[0]:
            rows.append((tracker.get_last() / rate, (frame + 512) / rate))
        run.hops_ns.append(time.thread_time_ns() - begin)
    return np.array(rows).reshape(-1, 2)


def chosen(manifest: list[dict[str, Any]], count: int | None) -> list[dict[str, Any]]:
    """Return so many items in an order in which any beginning holds the kinds about as evenly as the whole."""
    kinds: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for item in manifest:
        kinds[item["kind"]].append(item)
    placed = [((n + 0.5) / len(items), item) for items in kinds.values() for n, item in enumerate(items)]
    return [item for _, item in sorted(placed, key=lambda one: one[0])][:count]


def runs(only: FollowerKind | None = None) -> list[Run]:
    """Return every run, or those of one follower, still without scores."""
    kinds: tuple[FollowerKind, ...] = get_args(FollowerKind) if only is None else (only,)
    ours = [
        Run(f"{kind}, {told}", kind, told == "tempo told") for kind in kinds for told in ("nothing told", "tempo told")
    ]
    return [*ours, Run("aubio alone", None, False)] if only is None else ours


def scorer(path: Path) -> ModuleType:
    """Return the program that scores, as a module."""
    spec = importlib.util.spec_from_file_location("score_beats", path)
    if spec is None or spec.loader is None or not path.exists():
        raise SystemExit(f"{path}: no program that scores beats. Give its path: --score-beats PATH")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def measured(scoring: ModuleType, scores: list[dict[str, Any]]) -> dict[str, float | None]:
    """Return the measures of some items together, without those they have none of; None for never reached."""
    whole = scoring.agg(scores)
    return {shown: _finite(whole[name]) for shown, name in MEASURES.items() if name in whole}


def _finite(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None


def intervals(scoring: ModuleType, scores: list[dict[str, Any]]) -> dict[str, list[float | None]]:
    """Return the interval that holds nine in ten draws of as many items, with replacement, for each measure."""
    rng = np.random.default_rng(1)
    drawn: dict[str, list[float]] = defaultdict(list)
    for _ in range(DRAWS):
        whole = scoring.agg([scores[i] for i in rng.integers(0, len(scores), len(scores))])
        for shown, name in MEASURES.items():
            if name in whole:
                drawn[shown].append(float(whole[name]))
    spans = {name: np.percentile(values, [5, 95], method="nearest") for name, values in drawn.items()}
    return {name: [_finite(bound) for bound in span] for name, span in spans.items()}


def all_of(run: Run, scoring: ModuleType, kinds: list[str]) -> dict[str, Any]:
    """Return all that is told of a run."""
    hops_ms = np.array(run.hops_ns) / 1e6
    dry = [score for score, kind in zip(run.scores, kinds, strict=True) if not kind.startswith(WET)]
    return {
        "all": measured(scoring, run.scores),
        "dry": measured(scoring, dry),
        "nine_in_ten": intervals(scoring, run.scores),
        "by_kind": {
            kind: measured(scoring, [score for score, its in zip(run.scores, kinds, strict=True) if its == kind])
            for kind in dict.fromkeys(kinds)
        },
        "cpu_ms_per_s_of_sound": {name: round(ns / 1e6 / run.seconds, 2) for name, ns in run.spent_ns.items()},
        "cpu_share": round(float(hops_ms.sum()) / 1e3 / run.seconds, 4),
        "hop_ms": {
            "mean": round(float(hops_ms.mean()), 3),
            "p99.9": round(float(np.percentile(hops_ms, 99.9)), 3),
            "worst": round(float(hops_ms.max()), 3),
        },
        "times_real_time": round(run.seconds / (float(hops_ms.sum()) / 1e3), 1),
    }


def table(result: dict[str, Any], counts: dict[str, int]) -> str:
    """Return the scores as Markdown: all items with their intervals, those without an echo, every run by kind."""
    head = " | ".join(MEASURES) + " |\n" + "|---" * (len(MEASURES) + 1)
    lines = [f"| all {counts['all']} items | {head}|"]
    for name, run in result.items():
        cells = (f"{_cell(run['all'], one)} ({_span(run['nine_in_ten'].get(one, []))})" for one in MEASURES)
        lines.append(f"| {name} | {' | '.join(cells)} |")
    lines += ["", f"| the {counts['dry']} without an echo | {head}|"]
    for name, run in result.items():
        lines.append(f"| {name} | {' | '.join(_cell(run['dry'], one) for one in MEASURES)} |")
    for name, run in result.items():
        lines += ["", f"| {name} | {head}|"]
        for kind, row in run["by_kind"].items():
            lines.append(f"| {kind} ({counts[kind]}) | {' | '.join(_cell(row, one) for one in MEASURES)} |")
    return "\n".join(lines)


def _cell(row: dict[str, float | None], measure: str) -> str:
    if measure not in row:
        return ""
    value = row[measure]
    small = MEASURES[measure].startswith(("lock", "fp"))
    return "never" if value is None else f"{value:.1f}" if small else f"{value:.2f}"


def _span(bounds: list[float | None]) -> str:
    return " to ".join("never" if bound is None else f"{bound:.3g}" for bound in bounds)


def follow_corpus(
    corpus: Path, count: int | None, score_beats: Path, only: FollowerKind | None, jobs: int
) -> dict[str, Any]:
    """Follow and score; tell the progress and the table on standard error, and return all of it.

    Ctrl-C ends it with the items that were done.

    Args:
        corpus: Folder of the items and their manifest.
        count: So many items, evenly over the kinds; None for all.
        score_beats: The program that scores.
        only: The follower to run; None for all of them, and aubio's tracker alone.
        jobs: Items that are followed at once, each in a process.
    """
    scoring = scorer(score_beats)
    items = chosen(json.loads((corpus / "manifest.json").read_text()), count)
    everything, kinds = runs(only), []
    followed_item = partial(followed_by_all, corpus, score_beats, only)
    with (
        multiprocessing.get_context("spawn").Pool(jobs, signal.signal, (signal.SIGINT, signal.SIG_IGN)) as pool,
        suppress(KeyboardInterrupt),
    ):
        for item, of_item in zip(items, pool.imap(followed_item, items), strict=True):
            for run, part in zip(everything, of_item, strict=True):
                run.add(part)
            kinds.append(item["kind"])
            print(f"\r{len(kinds)}/{len(items)} {item['item']:40}", end="", file=sys.stderr, flush=True)
    result = {run.name: all_of(run, scoring, kinds) for run in everything}
    counts = {"all": len(kinds), "dry": sum(not kind.startswith(WET) for kind in kinds)}
    counts |= {kind: kinds.count(kind) for kind in kinds}
    print(f"\n{table(result, counts)}", file=sys.stderr)
    return {"items": counts, "runs": result, "wanted": WANTED}


def followed_by_all(corpus: Path, score_beats: Path, only: FollowerKind | None, item: dict[str, Any]) -> list[Run]:
    """Return every run on one item."""
    scoring = scorer(score_beats)
    samples, rate = soundfile.read(corpus / f"{item['item']}.flac", dtype="float32", always_2d=True)
    truth = scoring.load(str(corpus / f"{item['item']}.beats.txt"))[0]
    everything = runs(only)
    for run in everything:
        with watched(run.spent_ns):
            beats = followed(run, samples, rate, item.get("hint"))
        run.seconds = len(samples) / rate
        run.scores = [scoring.score_item(item, truth, beats[:, 0], beats[:, 1])]
    return everything
