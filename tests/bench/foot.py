"""Loopers and cues by foot: how soon a press is answered, how near the beat, and what a long set leaves undone.

``python -m tests.bench.foot [--live] [--set] [--seeds N] [--hours H]`` prints JSON; without either it does both.

``--live`` plays a set on a private JACK server, with the real sender and foot, a listener that tells of a tape whose
tempo wanders, and one core kept busy. A board presses switches by MIDI. Told are the times from a message's arrival at
the foot (by the driver's stamp) to the looper's message at its port, for a looper that ``starts_on = "now"``, and how
far the messages of loopers that wait for a beat or a bar go out from the tape's own beats.

``--set`` plays two hours in simulated time, with 500 random presses, and reckons by itself what should have happened:
see `tests.stage_set` and `tests.stage_score`. All faults should be 0.
"""

# The sender's process imports this module too: nothing heavy stands at the top.
from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import select
import statistics
import tempfile
import time
from collections import Counter
from functools import partial
from math import inf
from pathlib import Path
from random import Random
from typing import Any

from bridge import sender
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.events import PortLost
from bridge.events_foot import ActionRefused, DeckStands, SwitchUsed
from bridge.rig_text import parse_rig
from bridge.send.plan import SendPlan
from tests.bench.boxes import Stamped, sent_at
from tests.bench.clock import one_core_busy, stolen_s
from tests.stage_gear import Tape

RIG = """
[[decks]]
name = "north"
channels = [1]

[[loopers]]
name = "now box"
port = "Pedals A"
listens_to = "north"
starts_on = "now"
record = { messages = ["cc 80 127"] }
play = { messages = ["cc 81 127"] }

[[loopers]]
name = "beat box"
port = "Pedals A"
channel = 2
listens_to = "north"
starts_on = "beat"
record = { messages = ["cc 80 127"] }
play = { messages = ["cc 81 127"] }

[[loopers]]
name = "bar box"
port = "Pedals A"
channel = 3
listens_to = "north"
starts_on = "bar"
bars = 1
record = { messages = ["cc 80 127"] }
play = { messages = ["cc 81 127"] }

[[switches]]
name = "now"
port = "Foot"
trigger = "note 60"
press = "arm: now box"

[[switches]]
name = "beat"
port = "Foot"
trigger = "note 61"
press = "arm: beat box"

[[switches]]
name = "bar"
port = "Foot"
trigger = "note 62"
press = "arm: bar box"

[[switches]]
name = "one"
port = "Foot"
trigger = "note 63"
press = "this is one: north"

[midi]
api = "jack"
virtual = ["Pedals A"]
"""

TEMPO, BEGINS_S, BEFORE_S = 126.0, 1.0, 12.0
"""The tape's tempo in bpm, when it begins in the set, and so much later the presses do, in seconds."""

PRESS_S, HOLD_S = 0.33, 0.08
"""Time between two presses, and how long each lasts, in seconds."""

WORD_S = 0.25


def tape(began: float) -> Tape:
    """Return the tape of a live set, whose beats all processes know."""
    return Tape(began + BEGINS_S, began + 3600, TEMPO, 0.0, 0.2)


def listen(link: Link, start: int, folder: str, began: float) -> None:
    """Tell how the deck stands four times a second, and write down when switches were used."""
    played, word_at = tape(began), now()
    with (Path(folder) / "used.log").open("a", encoding="ascii", buffering=1) as used:
        while not link.closed:
            at = now()
            if at >= word_at:
                runs = at >= played.begins
                heard = {"tempo": played.tempo_at(at), "beats": played.beats_at(at)} if runs else {}
                state = "following" if runs else "idle"
                link.send(DeckStands(at=at, deck="north", state=state, runs=runs, **heard))  # type: ignore[arg-type]
                word_at = at + WORD_S
            for message in link.receive():
                if isinstance(message, EndAsked):
                    link.vouch()
                    return
                if isinstance(message, SwitchUsed):
                    used.write(f"{message.at!r} {message.switch}\n")
                if isinstance(message, ActionRefused | PortLost):
                    used.write(f"{message.at!r} !{type(message).__name__}: {message.why}\n")
            link.keep_alive(now())
            select.select([link], [], [], max(0.0, min(0.05, word_at - now())))


def send(folder: str, seconds: float, began: float) -> None:
    """Run the real sender with the real foot."""
    os.environ["TAPEBRIDGE_RUNTIME"] = folder
    rig = parse_rig(RIG, "foot.toml")
    ended = sender.run(
        SendPlan.of(rig),
        Listen("tests.bench.foot:listen", (folder, began)),
        foot=Listen("bridge.edge.foot:foot", (rig,)),
        for_s=seconds,
        system=partial(Stamped, folder, ("Pedals A",)),
    )
    (Path(folder) / "ended.json").write_text(json.dumps([ended.priority, ended.starts]), encoding="ascii")


def press(until: float, began: float) -> dict[str, list[float]]:
    """Press switches by MIDI until a host time in seconds; return when each was pressed."""
    import rtmidi

    random, pressed = Random(1), dict[str, list[float]]()
    board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "Board")
    board.open_virtual_port("Foot")
    notes = {"now": 60, "beat": 61, "bar": 62, "one": 63}

    def press_one(name: str, at: float) -> None:
        time.sleep(max(0.0, at - now()))
        pressed.setdefault(name, []).append(now())
        board.send_message([0x90, notes[name], 100])
        time.sleep(HOLD_S)
        board.send_message([0x80, notes[name], 0])

    at = began + BEGINS_S + BEFORE_S
    press_one("one", at)
    turn = 0
    while (at := at + PRESS_S * random.uniform(0.8, 1.3)) < until:
        turn += 1
        name = "bar" if turn % 24 == 5 else "beat" if turn % 4 == 2 else "now"
        press_one(name, at)
    board.delete()
    return pressed


def live(seconds: float) -> dict[str, Any]:
    """Return the figures of a set that is played for real, for so many seconds."""
    from tests.conftest import JACK_SHORT_PERIOD, running_jack_server

    stolen = stolen_s()
    with (
        tempfile.TemporaryDirectory() as folder,
        running_jack_server(
            f"bridge-foot-{os.getpid()}", Path(folder) / "jackd.log", JACK_SHORT_PERIOD, True
        ) as server,
        one_core_busy(),
    ):
        os.environ.update(server.env)
        began = now()
        context = multiprocessing.get_context("spawn")
        process = context.Process(target=send, args=(folder, seconds, began))
        process.start()
        pressed = press(began + seconds - 3, began)
        process.join()
        sent = sent_at(Path(folder), "Pedals A")
        lines = (Path(folder) / "used.log").read_text(encoding="ascii").splitlines()
        priority, starts = json.loads((Path(folder) / "ended.json").read_text(encoding="ascii"))
    told = [(float(at), name) for at, _, name in (line.partition(" ") for line in lines)]
    used = [(at, name) for at, name in told if not name.startswith("!")]
    kept = None if stolen is None else round((stolen_s() or 0.0) - stolen, 3)
    found = _live_figures(used, sent, tape(began))
    head = {"seconds": seconds, "cores": os.cpu_count(), "priority": priority, "listeners": starts, "stolen_s": kept}
    lost = {name: len(at) - sum(switch == name for _, switch in used) for name, at in pressed.items()}
    numbers = {"presses": {name: len(at) for name, at in pressed.items()}, "presses_unheard": lost}
    return head | numbers | {"refused_or_lost": [name[1:] for _, name in told if name.startswith("!")]} | found


def _live_figures(used: list[tuple[float, str]], sent: list[tuple[float, bytes]], played: Tape) -> dict[str, Any]:
    at_once = [at for at, data in sent if data[0] == 0xB0]
    presses = [at for at, name in used if name == "now"]
    answers = []
    for at, end in zip(presses, [*presses[1:], inf], strict=True):
        answers += [1e3 * (answer - at) for answer in at_once if at <= answer < end][:1]
    off: dict[str, list[float]] = {"beat": [], "bar": []}
    ones = [at for at, name in used if name == "one"]
    one = round(played.beats_at(ones[0])) if ones else 0
    for at, data in sent:
        if data[0] in (0xB1, 0xB2):
            every = 1 if data[0] == 0xB1 else 4
            beats = (played.beats_at(at) - one + every / 2) % every - every / 2
            off["beat" if every == 1 else "bar"].append(1e3 * beats * 60 / played.tempo_at(at))
    return {
        "presses_without_an_answer": len(presses) - len(answers),
        "from_arrival_to_port_ms": _figures(answers),
        "beside_the_beat_ms": _figures([abs(ms) for ms in off["beat"]]),
        "beside_the_bar_ms": _figures([abs(ms) for ms in off["bar"]]),
    }


def _figures(values: list[float]) -> dict[str, float]:
    if len(values) < 2:
        return {"number": len(values)}
    cuts = statistics.quantiles(values, n=100, method="inclusive")
    return {
        "number": len(values),
        "p50": round(statistics.median(values), 3),
        "p99": round(cuts[98], 3),
        "worst": round(max(values), 3),
    }


KINDS = {
    "held notes": "held note",
    "notes held after all quiet": "note held after all quiet",
    "recordings that nobody asked for": "recording that nobody asked for",
    "recordings left open": "recording left open",
    "lost or doubled cues": "lost or doubled cue",
    "cues beside their time": "cue beside its time",
    "cues beside their bar": "cue beside the bar",
    "edges missing in the facts": "edge missing in the facts",
    "armed by nobody": "armed by nobody",
    "loopers beside the beat": "beside the beat",
    "messages too close": "messages too close",
    "a sender that spins": "the sender spins",
}
"""What should be 0, and as what `tests.stage_score` knows it."""


def simulated(seeds: int, hours: float, presses: int, first: int = 1) -> dict[str, Any]:
    """Return the faults of sets in simulated time, and what is no fault but worth a number."""
    from tests.stage_set import Night

    counted: Counter[str] = Counter()
    apart: Counter[str] = Counter()
    examples: list[str] = []
    did: Counter[str] = Counter()
    off: list[float] = []
    for seed in range(first, first + seeds):
        score = Night(seed, hours * 3600, presses).play()
        counted.update(kind for kind, _, _ in score.faults)
        examples += [f"seed {seed}, {at} s: {kind}: {what}" for kind, at, what in score.faults]
        apart.update(score.apart)
        off += [abs(ms) for ms in score.off_ms]
        did["facts"] += score.facts
        did["turns of loopers"] += sum(len(box.turns) for box in score.boxes.values())
        did["cues fired"] += sum(map(len, score.cues.fired.values()))
    return {
        "sets": seeds,
        "hours_each": hours,
        "random_presses_each": presses,
        "faults": {name: counted[kind] for name, kind in KINDS.items()},
        "examples": examples[:20],
        "apart": dict(apart),
        "happened": dict(did),
        "at_the_port_beside_the_beat_as_told_ms": _figures(off),
    }


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--live", action="store_true", help="measure a set on a private JACK server")
    options.add_argument("--set", action="store_true", help="play sets in simulated time")
    options.add_argument("--seconds", type=float, default=60.0, help="length of the live set (default: 60)")
    options.add_argument("--seeds", type=int, default=1, help="how many simulated sets (default: 1)")
    options.add_argument("--first", type=int, default=1, help="seed of the first one (default: 1)")
    options.add_argument("--hours", type=float, default=2.0, help="length of each of them (default: 2)")
    options.add_argument("--presses", type=int, default=500, help="random presses in each of them (default: 500)")
    chosen = options.parse_args()
    both = not (chosen.live or chosen.set)
    found: dict[str, Any] = {}
    if chosen.live or both:
        found["live"] = live(chosen.seconds)
    if chosen.set or both:
        found["set"] = simulated(chosen.seeds, chosen.hours, chosen.presses, chosen.first)
    print(json.dumps(found, indent=2))
