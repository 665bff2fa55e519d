"""A whole set in simulated time, against the real stage: what its loopers, cues and lamps do, and what they should not.

`Night.play` lets two decks wander, stop and lose their beats, presses at random, uses the loopers' own switches, kills
the listener, pulls cables and stalls the sender. `tests.stage_score` reckons by itself what should have happened.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from math import inf
from random import Random

from bridge.actions import VERBS, Action
from bridge.edge.port_process import LEAD_S
from bridge.events import Fact, PortLost, PortOpened
from bridge.events_sent import MessageLeftOut
from bridge.rig import Rig
from bridge.rig_text import parse_rig
from bridge.send.plan import SendPlan
from bridge.send.schedule import Message
from bridge.send.stage import Stage
from bridge.testing.loopers import BoxEdge
from tests.stage_gear import WORD_S, Cable, Listener, put_in_tapes
from tests.stage_score import Score

TEND_S = 0.5
"""How often the sender looks after things, in seconds; the real one does so more often."""

CALM_S = 45.0
"""At the end nothing is pulled, lost or stalled for so long, in seconds."""

PRESSES_END_S = 12.0
"""The last press comes so long before the end, in seconds."""

SPINS = 200
"""A sender that has something to do so often in a row at one instant would not end."""


def looper(name: str, where: str, starts_on: str, edges: dict[str, str], more: str = "") -> str:
    """Return a table of a looper; an edge's message begins with an asterisk if it is a toggle."""
    text = f'[[loopers]]\nname = "{name}"\n{where}\nstarts_on = "{starts_on}"\n{more}\n'
    for edge, wire in edges.items():
        kind = "toggle" if wire.startswith("*") else "absolute"
        text += f'[loopers.{edge}]\nmessages = ["{wire.lstrip("*")}"]\nkind = "{kind}"\n'
    return text


def cue(name: str, when: str, wires: str, port: str = "Pedals C", more: str = "") -> str:
    return f'[[cues]]\nname = "{name}"\nwhen = "{when}"\nmessages = [{wires}]\nport = "{port}"\n{more}\n'


def own(*edges: str) -> dict[str, str]:
    return {edge: f"cc {80 + number} 127" for number, edge in enumerate(edges)}


ALL = ("record", "play", "overdub", "stop", "clear")
STEP = "*cc 80 127"

LOOPERS = (
    looper(
        "loop box",
        'port = "Pedals A"\nchannel = 1\nlistens_to = "north"',
        "bar",
        own(*ALL),
        'bars = 2\nif_lost = "fire"',
    ),
    looper("stutter", 'port = "Pedals A"\nchannel = 2\nlistens_to = "south"', "beat", own(*ALL), "latency_ms = 20"),
    looper("short loop", 'port = "Pedals A"\nchannel = 6\nlistens_to = "south"', "beat", own("record", "play")),
    looper(
        "step box",
        'port = "Pedals B"\nchannel = 3\nlistens_to = "north"',
        "4 beats",
        {"record": STEP, "play": STEP, "overdub": STEP, "clear": "cc 84 127"},
        "bars = 1",
    ),
    looper(
        "mixed box",
        'port = "Pedals B"\nchannel = 4\nlistens_to = "south"',
        "beat",
        own("record", "stop", "clear") | {"play": "*cc 89 127"},
        'bars = 2\nif_lost = "fire"',
    ),
    looper(
        "note box",
        'port = "Pedals C"\nchannel = 5\nlistens_to = "north"',
        "now",
        {edge: f"note {40 + number} 100" for number, edge in enumerate(ALL)},
    ),
    looper(
        "far box",
        'listens_to = "south"',
        "bar",
        {edge: f"osc /loop/{edge} 1" for edge in ALL},
        "bars = 4",
    ),
)

LAMPS = (("beat: north", 20), ("armed: loop box", 21), ("recording: mixed box", 22), ("following: south", 23))


def rig_text(length_s: float) -> str:
    """Return the rig of a set of that length; its cues at times lie all over it."""
    head = "".join(f'[[decks]]\nname = "{name}"\nchannels = [{n}]\n' for n, name in enumerate(("north", "south"), 1))
    head += '[[pedals]]\nname = "long echo"\nport = "Pedals A"\nlistens_to = "north"\n'
    head += "[osc]\nport = 9123\n"
    cues = [
        cue(f"at {n}", f"at {int(at // 60)}:{int(at % 60):02}", f'"cc {n} 1"', "Pedals D")
        for n, at in enumerate(length_s * (k + 0.5) / 14 for k in range(13))
    ]
    cues.append(
        cue(
            "armed",
            f"at {int(length_s * 0.3 // 60)}:{int(length_s * 0.3 % 60):02}",
            '"program 1"',
            more='does = ["arm: stutter"]',
        )
    )
    cues.append(cue("horns", "by hand", '"note 60 90"', more="again = true"))
    cues.append(cue("bell", "by hand", '"note 61 90", "note off 61"'))
    again = "again = true"
    for number, deck in enumerate(("north", "south")):
        for kind, when in enumerate(
            (f"{deck} starts", f"{deck} stops", f"beat returns on {deck}", f"{deck} above 90", f"{deck} below 80")
        ):
            cues.append(cue(when, when, f'"cc {20 + 10 * number + kind} 1"', "Pedals D", again))
    cues.append(cue("chorus bars", "2 bars after chorus on north", '"cc 50 1"', "Pedals D", again))
    cues.append(
        cue("verse bars", "1 bar after verse on south", '"cc 51 1"', "Pedals D", again + '\ndoes = ["mark: v"]')
    )
    cues.append(cue("first bars", "0 bars after verse on south", '"note 62 9"', "Pedals C"))
    lamps = [
        f'[[lamps]]\nshows = "{shows}"\nport = "Lights"\non = ["cc {number} 127"]\noff = ["cc {number} 0"]\n'
        for shows, number in LAMPS
    ]
    return "\n".join([head, *LOOPERS, *cues, *lamps])


class Night:
    """One set.

    Args:
        seed: Of all that happens.
        length_s: Of the set, in seconds.
        presses: How many at random.
    """

    def __init__(self, seed: int, length_s: float, presses: int) -> None:
        self.random = Random(seed)
        self.length_s = length_s
        self.rig: Rig = parse_rig(rig_text(length_s), "set.toml")
        plan = SendPlan.of(self.rig)
        self.now = 0.0
        self.stage = Stage(plan.stage, 0.0)
        self.decks = [put_in_tapes(self.random, name, length_s, CALM_S) for name in plan.decks]
        self.listener = Listener(self.random, self.decks)
        self.cables = {name: Cable(name, self.random) for name in plan.stage.ports}
        self.score = Score(plan, self.decks, length_s)
        self._world: list[tuple[float, int, Callable[[], None]]] = []  # what happens whether the sender runs or not
        self._asked: list[tuple[float, int, Callable[[], None]]] = []  # what the sender hears of, once it runs
        self._order = itertools.count()
        self._free_at = 0.0
        self._tend_at = 0.0
        self._plan_trouble()
        self._plan_presses(presses)
        self._at(self._asked, 0.01, self._tell)

    # --- what is planned

    def _at(self, heap: list[tuple[float, int, Callable[[], None]]], at: float, do: Callable[[], None]) -> None:
        heapq.heappush(heap, (at, next(self._order), do))

    def _every(self, least_s: float, most_s: float, do: Callable[[float], None]) -> None:
        """Do something at random until the calm end."""
        at = self.random.uniform(least_s, most_s) / 2
        while at < self.length_s - CALM_S:
            do(at)
            at += self.random.uniform(least_s, most_s)

    def _plan_trouble(self) -> None:
        random = self.random

        def stall(at: float) -> None:
            seconds = random.choice((0.05, 0.08, 0.2, 0.7, 2.0))
            self._at(self._asked, at, lambda: self._stall(seconds))

        def kill(at: float) -> None:
            self._at(self._world, at, lambda: self._kill(random.uniform(0.5, 3)))

        def pull(at: float) -> None:
            cable = random.choice(list(self.cables.values()))
            seconds = random.uniform(1.5, 8)
            self._at(self._world, at, lambda: self._pull(cable, seconds))

        def touch(at: float) -> None:
            name = random.choice(list(self.score.boxes))
            self._at(self._world, at, lambda: self._touch(name))

        self._every(10, 60, stall)
        self._every(30, 150, kill)
        self._every(40, 160, pull)
        self._every(20, 90, touch)

    def _plan_presses(self, presses: int) -> None:
        random, last = self.random, self.length_s - PRESSES_END_S
        for _ in range(presses):
            action, at = self._any_action(), random.uniform(3, last)
            self._at(self._asked, at, lambda action=action, at=at: self._do(action, at))  # type: ignore[misc]
        at = 12.0
        while at < last:  # else bars are seldom known
            for deck in self.decks:
                self._press_one(deck.name, at + random.uniform(0, 5))
            at += random.uniform(40, 90)
        for deck in self.decks:
            self._press_one(deck.name, self.length_s - CALM_S / 2)

    def _press_one(self, deck: str, at: float) -> None:
        self._at(self._asked, at, lambda: self._do(Action("this is one", (deck,)), at))

    def _any_action(self) -> Action:
        random, loopers = self.random, list(self.score.boxes)
        if random.random() < 0.6:
            verb = random.choice(("arm", "arm", "arm", "fire", "overdub", "play", "stop", "clear"))
            return Action(verb, (random.choice(loopers),))
        verb = random.choice([verb for verb in VERBS if verb != "looper is"] + ["mark", "cue"])
        names = {
            "deck": [deck.name for deck in self.decks],
            "pedal": ["long echo"],
            "looper": loopers,
            "cue": ["horns", "horns", "bell", "at 3", "north stops"],
            "text": ["chorus", "verse", "verse two", "rain"],
        }
        return Action(verb, tuple(random.choice(names[kind]) for kind in VERBS[verb].of))

    # --- what happens

    def _stall(self, seconds: float) -> None:
        self.score.stalled(self.now, self.now + seconds)
        self._free_at = self.now + seconds

    def _kill(self, gap_s: float) -> None:
        self.listener.start(self.now + gap_s)
        self.score.killed(self.now, self.now + gap_s)

    def _pull(self, cable: Cable, seconds: float) -> None:
        if cable.plugged:
            cable.pull(self.now)
            self.score.pulled(cable.name, self.now)
            self._at(self._world, self.now + seconds, lambda: self._plug(cable))

    def _plug(self, cable: Cable) -> None:
        cable.plug(self.now)
        self.score.plugged(cable.name, self.now)

    def _touch(self, name: str) -> None:
        """Use a looper's own switch; most of the time nobody says so, or only much later."""
        edge: BoxEdge = (
            "step" if name == "step box" else self.random.choice(("record", "play", "overdub", "stop", "clear"))
        )
        self.score.press_box(name, edge, self.now)
        is_told = self.random.random() < (0.7 if self.score.has_toggle(name) else 0.3)
        at = self.now + self.random.uniform(1, 30)
        if is_told and at < self.length_s - PRESSES_END_S:
            certain = self.random.random() < 0.6
            self._at(self._asked, at, lambda: self._say(name, certain, at))

    def _say(self, name: str, certain: bool, at: float) -> None:
        said = self.score.boxes[name].state if certain else "unknown"
        self._do(Action("looper is", (name, said)), at)

    # --- what the sender does

    def _tell(self) -> None:
        """Hear how the decks stand."""
        if self.now >= self.listener.dead_until and self.now >= self.listener.began:
            for deck in self.decks:
                word = self.listener.word(deck, self.now)
                fresh = deck.name not in self.listener.told
                self.listener.told.add(deck.name)
                self.score.hear(word)
                self.stage.hear(word, fresh, self.now)
        self._at(self._asked, max(self.now + 0.01, self.now + WORD_S), self._tell)

    def _do(self, action: Action, at: float) -> None:
        self.score.asked(action, at, self.now)
        self._take(self.stage.do(action, at, self.now, at))

    def _take(self, facts: list[Fact]) -> None:
        for fact in facts:
            self.score.take(fact, self.now)

    def _hand_over(self, message: Message) -> None:
        self.score.handed(message, self.now)
        if not self.cables[message.port].hand_over(message):
            self._take(self.stage.missed(message.port, message.data, self.now))

    def _send(self) -> None:
        for _ in range(SPINS):
            if (due := self.stage.next_due(self.now)) > self.now + LEAD_S:
                return
            sent = self.stage.due(max(due, self.now), lambda: self.now)
            for fact in sent.facts:  # a message that goes out is explained by then
                self.score.take(fact, self.now)
            for message in sent.messages:
                self._hand_over(message)
        self.score.fault("the sender spins", self.now, "")

    def _tend(self) -> None:
        self._tend_at = self.now + TEND_S
        for name, cable in self.cables.items():
            for fact in cable.take_facts():
                if isinstance(fact, MessageLeftOut):
                    self._take(self.stage.missed(name, bytes.fromhex(fact.data), self.now))
                elif isinstance(fact, PortOpened):
                    self._take(self.stage.opened(name, self.now))
                elif isinstance(fact, PortLost):
                    self._take(self.stage.gone(name, self.now))
        self.stage.tend(self.now)

    # --- how time passes

    def play(self) -> Score:
        """Play it to its end, and return what is to be said of it."""
        while self._step(self.length_s):
            pass
        self.now = self.length_s
        self.score.calm = True
        self._take(self.stage.end(self.now))
        self._send()
        for _ in range(50):
            self.now += 0.01
            self._run_cables()
        self.score.ended(self.now)
        for cable in self.cables.values():
            cable.finish(self.now)
        self._run_cables()
        self.score.gone(self.now, self.cables)
        return self.score

    def _step(self, until: float) -> bool:
        world = self._world[0][0] if self._world else inf
        cables = min(cable.next_at() for cable in self.cables.values())
        asked = self._asked[0][0] if self._asked else inf
        sender = max(min(asked, self._tend_at, self.stage.next_due(self.now) - LEAD_S), self._free_at)
        at = max(self.now, min(world, cables, sender))
        if at > until:
            return False
        self.now = at
        if cables <= at:
            self._run_cables()
        elif world <= at:
            heapq.heappop(self._world)[2]()
        else:
            self._turn()
        return True

    def _run_cables(self) -> None:
        for name, cable in self.cables.items():
            cable.run(self.now)
            for at, data in cable.out:
                self.score.came_out(name, at, data)
            cable.out.clear()

    def _turn(self) -> None:
        """One turn of the sender: hear all there is, send what is due."""
        while self._asked and self._asked[0][0] <= self.now and self._free_at <= self.now:
            heapq.heappop(self._asked)[2]()
        if self._free_at > self.now:
            return
        if self._tend_at <= self.now:
            self._tend()
        self._send()
        self.score.look(self.now, self.cables)
