"""What a simulated set has to answer for: every message, edge and cue against an independent reckoning.

Nothing here asks the stage what it thinks: it hears what the sender hears, sees what comes out of the cables, and reads
the facts as a journal would.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from math import inf

from bridge.actions import Action
from bridge.events import Fact
from bridge.events_foot import CueFired, DeckStands, LooperChanged
from bridge.rig_foot import EDGES, Cue
from bridge.send.loop_edges import LooperPlan
from bridge.send.messages import wire_bytes
from bridge.send.plan import SendPlan
from bridge.send.schedule import Message
from bridge.testing.loopers import OPEN, BoxEdge, LoopBox
from tests.stage_gear import Cable, Deck, messages_in

BESIDE_S = 0.03
"""What counts further from its beat than this, in seconds, is beside it."""

LAMP_APART_S, EDGES_APART_S, WAIT_S = 0.0199, 0.02, 0.03
"""Closer than this two messages of one lamp, or two edges of a looper that nobody asked for, make no sense; and longer
than the last no message waits for its cable. In seconds."""

RUNS_S, BEAT_S, WORDS_S = 2.0, 20.0, 2.7
"""So long a new listener is not believed that nothing runs, and that there is no beat; and what was told so shortly
before it was killed may not have been heard, in seconds."""

FINDS_S = 12.5
"""So long a new listener may need for a beat, in seconds."""

PENDING = 8
"""Marks that a cue counts from at a time."""

LAST_MARK_S = 45.0
"""A mark so shortly before the end may be counted from or not, in seconds."""


class Count:
    """Beats of a deck by the words alone, told anew: no word moves the count by more than half a beat."""

    def __init__(self) -> None:
        self.line: tuple[float, float, float] | None = None
        self.one = 0.0
        self.jumped_at = -inf

    def hear(self, word: DeckStands) -> None:
        if word.beats is None or word.tempo is None:
            return
        beat = word.beats
        if self.line is not None:
            was = self.at(word.at)
            moved = (beat - was + 0.5) % 1.0 - 0.5
            beat = was + moved
            if abs(moved) * 60 / word.tempo > 0.01:
                self.jumped_at = word.at
        self.line = (word.at, beat, word.tempo)

    def at(self, at: float) -> float:
        assert self.line is not None
        since, beat, tempo = self.line
        return beat + (at - since) * tempo / 60

    def off_s(self, at: float, every: int) -> float:
        """Return how far an instant lies from the nearest of every so many beats, in seconds."""
        assert self.line is not None
        beats = (self.at(at) - self.one + every / 2) % every - every / 2
        return beats * 60 / self.line[2]


class Score:
    """Faults of one set, by kind, and what is no fault but worth a number.

    Args:
        plan: Of the set.
        decks: The decks as they are played.
        length_s: Of the set, in seconds.

    Attributes:
        faults: Kind, host time in seconds and what it was about.
        apart: Numbers of what nobody can help: see `Night`.
        boxes: The loopers.
    """

    def __init__(self, plan: SendPlan, decks: list[Deck], length_s: float) -> None:
        self.faults: list[tuple[str, float, str]] = []
        self.apart: Counter[str] = Counter()
        self.off_ms: list[float] = []
        self.boxes: dict[str, LoopBox] = {}
        self.facts = 0
        self.calm = False
        self._length_s = length_s
        self._decks = {deck.name: deck for deck in decks}
        self._counts = {deck.name: Count() for deck in decks}
        self._plans: dict[str, LooperPlan] = {}
        self._edge_of: dict[tuple[str, bytes], tuple[str, str]] = {}
        for looper in plan.stage.loopers:
            loop_plan = LooperPlan(looper=looper, port=plan.stage.port_of(looper.port, looper.record.messages))
            self._plans[looper.name] = loop_plan
            edges: dict[bytes, BoxEdge] = {}
            for name in EDGES:
                edge = looper.edge(name)
                if edge is not None:
                    [data] = loop_plan.sent(name)
                    edges[data] = "step" if edge.kind == "toggle" else name  # type: ignore[assignment]
                    self._edge_of[loop_plan.port, data] = (looper.name, name)
            self.boxes[looper.name] = LoopBox(edges)
        self._state = dict.fromkeys(self.boxes, "idle")
        self._does = dict.fromkeys(self.boxes, "idle")
        self._why = dict.fromkeys(self.boxes, "")
        self._touched: set[str] = set()
        self._opened_by_hand: set[str] = set()
        self._licence: set[str] = set()
        self._asked_at: defaultdict[tuple[str, str], float] = defaultdict(lambda: -inf)
        self._changed_at: defaultdict[str, float] = defaultdict(lambda: -inf)
        self._edge_at: defaultdict[str, float] = defaultdict(lambda: -inf)
        self._meddled_at = self._plugged_at = -inf
        self._began: dict[str, float] = {}
        self._checks: dict[str, tuple[Count, float, int, float]] = {}
        self._sounding: defaultdict[str, set[bytes]] = defaultdict(set)
        self._lamp_at: defaultdict[int, float] = defaultdict(lambda: -inf)
        self._stalls: list[tuple[float, float]] = []
        self._kills: list[tuple[float, float]] = []
        self._looked_at = 0.0
        self._quiet_at = inf
        self.cues = CueScore(plan.stage.cues, decks, length_s)
        self._cue_of = {
            (cue.port, wire_bytes(cue.messages, cue.channel)): cue.name for cue in plan.stage.cues if cue.messages
        }
        self._cue_messages: Counter[str] = Counter()

    def fault(self, kind: str, at: float, what: str) -> None:
        self.faults.append((kind, round(at, 3), what))

    def has_toggle(self, name: str) -> bool:
        return self._plans[name].has_toggle

    # --- what happens

    def stalled(self, begins: float, ends: float) -> None:
        self._stalls.append((begins, ends))
        self._meddled_at = ends

    def killed(self, at: float, back: float) -> None:
        self._kills.append((at, back))

    def pulled(self, name: str, at: float) -> None:
        self._meddled_at = at

    def plugged(self, name: str, at: float) -> None:
        self._meddled_at = self._plugged_at = at + 2.0  # its process undoes what is held, whatever is told then

    def hear(self, word: DeckStands) -> None:
        self._counts[word.deck].hear(word)
        self.cues.hear(word)

    def press_box(self, name: str, edge: BoxEdge, at: float) -> None:
        box = self.boxes[name]
        was = box.state
        box.press(at, edge)
        self._touched.add(name)
        if box.state in OPEN and box.state != was:
            self._opened_by_hand.add(name)

    def asked(self, action: Action, at: float, now: float) -> None:
        for name in action.names[:1]:
            self._asked_at[action.verb, name] = now
        self._meddled_at = max(self._meddled_at, now)
        match action.verb:
            case "looper is":
                name, said = action.names
                if said == self.boxes[name].state:
                    self._touched.discard(name)
                    if said in OPEN:
                        self._opened_by_hand.add(name)
            case "this is one":
                count = self._counts[action.names[0]]
                if count.line is not None:
                    count.one = (count.at(at) + 0.5) // 1
            case "all quiet":
                self._quiet_at = now
        if action.verb != "all quiet":
            self._quiet_at = inf
        self.cues.asked(action, at, now)

    # --- what is told

    def take(self, fact: Fact, now: float) -> None:
        self.facts += 1
        if isinstance(fact, LooperChanged):
            name = fact.looper
            if fact.was != self._state[name]:
                self.fault("edge missing in the facts", now, f"{name} was {self._state[name]}, told {fact}")
            self._state[name], self._why[name], self._changed_at[name] = fact.now, fact.why, now
            if fact.now == "armed":
                if self._asked_at["arm", name] != now:
                    self.fault("armed by nobody", now, name)
                self._licence.add(name)
            else:
                self._does[name] = fact.now
        elif isinstance(fact, CueFired):
            self.cues.fired[fact.cue].append((fact.at, fact.why))
            self._check_cue(fact, now)
            if fact.cue == "armed":
                self._asked_at["arm", "stutter"] = now

    def _check_cue(self, fact: CueFired, now: float) -> None:
        cue = self.cues.all[fact.cue]
        if cue.trigger.when == "bars after mark" and cue.trigger.deck is not None:
            count = self._counts[cue.trigger.deck]
            if abs(count.off_s(fact.at, 4)) > BESIDE_S:
                if now - count.jumped_at < 0.5 or self._stood_still(now - 2.5, now):
                    self.apart["cues beside the bar since the beat jumped or the sender stood still"] += 1
                else:
                    self.fault("cue beside the bar", now, f"{fact.cue} by {count.off_s(fact.at, 4):.3f} s")
        if cue.trigger.when == "time" and fact.why != "by hand":
            off_s = fact.at - cue.trigger.seconds
            if not (0 <= off_s + 1e-6 <= 0.001) and not self._stood_still(now - 2.5, now):
                self.fault("cue beside its time", now, f"{fact.cue} by {off_s:.3f} s")

    def _stood_still(self, begins: float, ends: float) -> bool:
        return any(begins <= until and since <= ends for since, until in self._stalls[-3:])

    # --- what goes out

    def handed(self, message: Message, now: float) -> None:
        name = self._cue_of.get((message.port, message.data))
        for (port, data), cue in self._cue_of.items() if name is None and message.data else ():
            if port == message.port and message.data.endswith(data) and data not in (b"",):
                name = cue  # behind the Note Off of the time before
        if name is not None:
            self._cue_messages[name] += 1
        for data in messages_in(message.data):
            found = self._edge_of.get((message.port, data))
            if found is None:
                continue
            name = found[0]
            if self._changed_at[name] != now:
                self.fault("edge missing in the facts", now, f"{found} went out")
            self._plan_check(name, message, now)

    def _plan_check(self, name: str, message: Message, now: float) -> None:
        """Note how what was handed over lies to the beat as it is known now."""
        looper, count = self._plans[name].looper, self._counts[self._plans[name].looper.listens_to]
        self._checks.pop(name, None)
        opens, closes = self._does[name] == "recording", self._why[name] == "its bars were over"
        if count.line is None or not (opens or closes):
            return
        still = Count()
        still.line, still.one, still.jumped_at = count.line, count.one, count.jumped_at
        every = 1 if closes else self._plans[name].looper.starts_on
        if closes:
            still.one = self._began.pop(name, still.one)  # its bars are counted from its beginning
        elif self._asked_at["fire", name] >= now - 0.1:
            every = 0
        self._checks[name] = (still, looper.latency_ms / 1e3, 4 if every == -1 else every, message.at)

    def came_out(self, port: str, at: float, data: bytes) -> None:
        for message in messages_in(data):
            if message[0] & 0xF0 == 0x90:
                self._sounding[port].add(bytes((0x80 | message[0] & 0xF, message[1])))
            elif message[0] & 0xF0 == 0x80:
                self._sounding[port].discard(message[:2])
            elif port == "Lights":
                if at - self._lamp_at[message[1]] < LAMP_APART_S and at > self._plugged_at:
                    self.fault("messages too close", at, f"lamp {message[1]} within {at - self._lamp_at[message[1]]}")
                self._lamp_at[message[1]] = at
            if (port, message) in self._edge_of:
                self._move(*self._edge_of[port, message], at, message)

    def _move(self, name: str, edge: str, at: float, message: bytes) -> None:
        box = self.boxes[name]
        was = box.state
        box.receive(at, message)
        if at - self._edge_at[name] < EDGES_APART_S and at - self._meddled_at > 0.1:
            self.fault("messages too close", at, f"{name} within {at - self._edge_at[name]:.4f} s")
        self._edge_at[name] = at
        misled = name in self._touched and self.has_toggle(name)
        if box.state in OPEN and box.state != was:
            self._opened_by_hand.discard(name)
            if misled:
                self.apart["toggles misled by an untold hand"] += 1
                self._opened_by_hand.add(name)
            elif box.state == "recording":
                if name not in self._licence:
                    self.fault("recording that nobody asked for", at, f"{name} by {edge}")
            elif at - self._asked_at["overdub", name] > 0.05:
                self.fault("recording that nobody asked for", at, f"{name} overdubs by {edge}")
            self._licence.discard(name)
        is_certain = self._plans[name].looper.edge(edge).kind == "absolute"  # type: ignore[union-attr]
        holds_a_loop = box.state == "stopped" or not self.has_toggle(
            name
        )  # an empty one that is stopped is still empty
        if is_certain and (edge != "stop" or (self._does[name] == "stopped" and holds_a_loop)):
            self._touched.discard(name)
        if (check := self._checks.pop(name, None)) is not None and not misled:
            self._check(name, check, at, box.state)

    def _check(self, name: str, check: tuple[Count, float, int, float], at: float, state: str) -> None:
        count, latency_s, every, due = check
        if state == "recording":
            self._began[name] = count.at(at + latency_s)
        if every == 0:
            return
        off_s = count.off_s(at + latency_s, every)
        self.off_ms.append(1e3 * off_s)
        if abs(off_s) <= BESIDE_S:
            return
        opens = state == "recording"
        stood = self._stood_still(due - 0.01, at)
        if stood and not opens:
            self.apart["closes late since the sender stood still"] += 1
        elif not opens and at - count.jumped_at < 0.3:
            self.apart["closes beside a beat that jumped"] += 1
        else:
            self.fault(
                "beside the beat",
                at,
                f"{name} {state} by {1e3 * off_s:.1f} ms, jumped {at - count.jumped_at:.3f} s ago",
            )

    # --- now and then

    def look(self, now: float, cables: Mapping[str, Cable]) -> None:
        """Compare what each looper does with what the facts say."""
        if now - self._looked_at < 0.4:
            return
        self._looked_at = now
        for name, box in self.boxes.items():
            cable, does = cables[self._plans[name].port], self._does[name]
            busy = cable.due or cable.facts or not cable.plugged or not cable.is_open
            if busy or name in self._touched or does == "unknown" or box.state == does:
                continue
            if does == "stopped" and box.state == "idle":  # whether it is empty rests on nothing that is sent
                continue
            self.fault("edge missing in the facts", now, f"{name} is {box.state}, told {does} ({self._why[name]})")
            self._touched.add(name)
        if now > self._quiet_at + 0.1:
            for port, notes in self._sounding.items():
                if notes and cables[port].plugged and cables[port].is_open:
                    self.fault("note held after all quiet", now, f"{port} {[note.hex() for note in notes]}")
            self._quiet_at = inf

    # --- at the end

    def ended(self, now: float) -> None:
        """The set is ended, and the sender still there."""
        self._count_held("held note", now)
        for name, box in self.boxes.items():
            if box.state not in OPEN:
                continue
            plan = self._plans[name]
            if plan.way("overdubbing", "undo") is None:
                self.apart["left open where only a toggle closes"] += 1
            elif name in self._opened_by_hand:
                self.apart["left open that was opened by an untold hand"] += 1
            else:
                self.fault("recording left open", now, f"{name}, told {self._does[name]} ({self._why[name]})")

    def gone(self, now: float, cables: Mapping[str, Cable]) -> None:
        """The sender is gone, and its ports with it."""
        self._count_held("held note", now)
        for name, cable in cables.items():
            if not name.startswith("osc") and cable.longest_wait_s > WAIT_S:
                self.fault("messages too close", now, f"{name} waits {1e3 * cable.longest_wait_s:.1f} ms for its cable")
        self.faults += self.cues.faults(self._kills)
        self.apart["beats that may have returned unseen"] += self.cues.unsure
        for name, fired in self.cues.fired.items():
            if self.cues.all[name].messages and self._cue_messages[name] != len(fired):
                text = f"{name} fired {len(fired)} times, sent {self._cue_messages[name]} times"
                self.fault("lost or doubled cue", now, text)

    def _count_held(self, kind: str, now: float) -> None:
        for port, notes in self._sounding.items():
            for note in notes:
                self.fault(kind, now, f"{port} {note.hex()}")
            notes.clear()


class CueScore:
    """How often each cue should have fired, from the tapes, the clock and the presses.

    Args:
        cues: Of the rig.
        decks: As they are played.
        length_s: Of the set, in seconds.

    Attributes:
        fired: When each was told to have fired, and why.
        unsure: Returns of a beat that a listener may have missed since it was being started.
    """

    def __init__(self, cues: tuple[Cue, ...], decks: list[Deck], length_s: float) -> None:
        self.all = {cue.name: cue for cue in cues}
        self.fired: defaultdict[str, list[tuple[float, str]]] = defaultdict(list)
        self.unsure = 0
        self._decks = {deck.name: deck for deck in decks}
        self._length_s = length_s
        self._by_hand: Counter[str] = Counter()
        self._spent_at: dict[str, float] = {}
        self._asked_at: dict[str, float] = {}
        self._marks: Counter[str] = Counter()
        self._last_marks: Counter[str] = Counter()
        self._below: dict[str, bool] = {}
        self._crossed: Counter[str] = Counter()

    def hear(self, word: DeckStands) -> None:
        for cue in self.all.values():
            if cue.trigger.when in ("above", "below") and cue.trigger.deck == word.deck:
                self._cross(cue, word)

    def _cross(self, cue: Cue, word: DeckStands) -> None:
        if word.state != "following" or word.tempo is None:
            return
        ratio = word.tempo / cue.trigger.tempo
        beyond, back = (ratio > 1, ratio < 0.99) if cue.trigger.when == "above" else (ratio < 1, ratio > 1.01)
        ready = self._below.get(cue.name)
        if ready and beyond:
            self._crossed[cue.name] += 1
        if beyond:
            self._below[cue.name] = False
        elif back or ready is None:
            self._below[cue.name] = True

    def asked(self, action: Action, at: float, now: float) -> None:
        if action.verb == "cue":
            name = action.names[0]
            was, self._asked_at[name] = self._asked_at.get(name), now
            if was == now:  # pressed twice while the sender stood still: once is enough, for never is there a burst
                pass
            elif self.all[name].again or not (self.fired[name] or name in self._spent_at):
                self._by_hand[name] += 1
                self._spent_at[name] = at
        if action.verb == "mark":
            for cue in self.all.values():
                fits = cue.trigger.when == "bars after mark" and action.names[0].startswith(cue.trigger.mark)
                if fits and self._marks[cue.name] - len(self.fired[cue.name]) < PENDING:
                    self._marks[cue.name] += 1
                    self._last_marks[cue.name] += at > self._length_s - LAST_MARK_S

    def faults(self, kills: list[tuple[float, float]]) -> list[tuple[str, float, str]]:
        """Return what was lost or doubled."""
        found = []
        for name, cue in self.all.items():
            least, most = self._wanted(cue, kills)
            least, most = (least, most) if cue.again else (min(1, least), min(1, most))
            if not least <= len(self.fired[name]) <= most:
                text = f"{name} fired {len(self.fired[name])} times, wanted {least} to {most}"
                found.append(("lost or doubled cue", 0.0, text))
        return found

    def _wanted(self, cue: Cue, kills: list[tuple[float, float]]) -> tuple[int, int]:
        by_hand, when = self._by_hand[cue.name], cue.trigger.when
        if when == "by hand":
            return by_hand, by_hand
        if when == "time":
            return by_hand + 1, by_hand + 1
        if when in ("above", "below"):
            return by_hand + self._crossed[cue.name], by_hand + self._crossed[cue.name]
        if when == "bars after mark":
            return self._marks[cue.name] - self._last_marks[cue.name], self._marks[cue.name]
        assert cue.trigger.deck is not None
        deck = self._decks[cue.trigger.deck]
        least, most = _returns(deck, kills) if when == "beat returns" else _turns(deck, kills, when == "starts")
        self.unsure += (most - least) * (when == "beat returns")
        return by_hand + least, by_hand + most


def _turns(deck: Deck, kills: list[tuple[float, float]], starts: bool) -> tuple[int, int]:
    """Return how often a deck started or stopped, at least and at most."""
    pairs = list(zip(deck.tapes, deck.tapes[1:], strict=False))
    hidden = sum(
        any(back - WORDS_S - 3 <= one.ends and other.begins <= back + RUNS_S + 2.5 for _, back in kills)
        for one, other in pairs
    )
    most = len(pairs) + starts
    return most - hidden, most


def _returns(deck: Deck, kills: list[tuple[float, float]]) -> tuple[int, int]:
    """Return how often the beat of a deck came back, or came, at least and at most."""
    heard = list[tuple[float, float]]()  # from when to when
    for tape in deck.tapes:
        at = tape.begins + tape.finds_s
        for begins, ends in tape.lost:
            heard.append((at, begins))
            at = ends
        if at < tape.ends:
            heard.append((at, tape.ends))
    lost_at, unsure = -inf, 0
    for back, ends in heard:
        missed = any(at - WORDS_S <= lost_at and back <= up + BEAT_S + 3 for at, up in kills)
        missed |= any(at - WORDS_S <= back and ends <= up + FINDS_S + 1 for at, up in kills)
        missed |= any(at - WORDS_S <= lost_at <= up + FINDS_S + 1 for at, up in kills)
        unsure += missed
        lost_at = ends
    return len(heard) - unsure, len(heard)
