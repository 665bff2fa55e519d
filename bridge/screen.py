"""The terminal while a set runs: what is heard on each deck, what each pedal was last told."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.engine import DeckStatus
from bridge.events import (
    DeckChanged,
    Fact,
    FollowerChanged,
    ListenerLost,
    MarkPlaced,
    PedalTold,
    PortLost,
    PortOpened,
    SoundLost,
    SoundNotKept,
    TicksDropped,
)
from bridge.rig import Rig
from bridge.units import SILENCE_DB, clock_text

REFRESH_S = 0.25
"""A terminal is redrawn this often."""

STATE_SIGN = {"idle": "·", "listening": "?", "following": "●", "holding": "="}
"""A sign beside each state, so that it is never told by colour alone."""

STATE_STYLE = {"idle": "dim", "listening": "yellow", "following": "bold", "holding": "cyan"}

LEVEL_CELLS = 16
LEVEL_FLOOR_DB = -60.0
"""The level bar's cells, and the level at which it is empty."""


class Screen:
    """Shows a running set; used with ``with``. Where output is no terminal, only changes are printed, a line each.

    Args:
        rig: What is plugged in.
        title: What runs, for the top line.
        console: Where to print.
    """

    def __init__(self, rig: Rig, title: str, console: Console | None = None) -> None:
        self._rig = rig
        self._title = title
        self._console = console or Console()
        self._told: dict[str, PedalTold] = {}
        self._news: list[str] = []
        self._began: float | None = None
        self._drawn = float("-inf")
        self._live = Live(console=self._console, auto_refresh=False) if self._console.is_terminal else None

    def __enter__(self) -> Screen:
        if self._live is not None:
            self._live.start()
        else:
            self._console.print(self._title, highlight=False)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def note(self, fact: Fact) -> None:
        """Take in a fact; print it where there is no terminal to redraw."""
        if self._began is None:
            self._began = fact.at
        if isinstance(fact, PedalTold):
            self._told[fact.pedal] = fact
            text = None if fact.why == "drift" else f"{fact.pedal}: {fact.why}, {fact.tempo:.1f} bpm"
        else:
            text = news(fact)
        if text is None:
            return
        line = f"{clock_text(max(0.0, fact.at - self._began))}  {text}"
        self._news = [*self._news[-4:], line]
        if self._live is None:
            self._console.print(line, highlight=False, markup=False)

    def draw(self, at: float, decks: Sequence[DeckStatus]) -> None:
        """Redraw the terminal if it is time.

        Args:
            at: Host time in seconds.
            decks: How each deck stands.
        """
        if self._live is None or at < self._drawn + REFRESH_S:
            return
        self._drawn = at
        head = Text(f"{self._title}  {clock_text(max(0.0, at - (self._began or at)))}   Ctrl-C ends the set")
        news_lines = Text("\n".join(self._news), style="dim")
        self._live.update(Group(head, self._deck_table(decks), self._pedal_table(), news_lines), refresh=True)

    def _deck_table(self, decks: Sequence[DeckStatus]) -> Table:
        table = Table("deck", "level", "heard tempo", "state", box=None, padding=(0, 2))
        for deck in decks:
            filled = round(LEVEL_CELLS * min(1.0, max(0.0, 1.0 - deck.level_db / LEVEL_FLOOR_DB)))
            level = "silent" if deck.level_db <= SILENCE_DB else f"{deck.level_db:.0f} dB"
            tempo = "–" if deck.tempo is None else f"{deck.tempo:.1f} bpm"
            state = Text(f"{STATE_SIGN[deck.state]} {deck.state}", style=STATE_STYLE[deck.state])
            table.add_row(deck.deck, f"{'▮' * filled:<{LEVEL_CELLS}} {level}", tempo, state)
        return table

    def _pedal_table(self) -> Table:
        table = Table("pedal", "clock", "ratio", "listens to", "last told", box=None, padding=(0, 2))
        for pedal in self._rig.pedals:
            told = self._told.get(pedal.name)
            if told is None:
                begin = "nothing yet" if pedal.begin_tempo is None else f"begins at {pedal.begin_tempo:g} bpm"
                table.add_row(pedal.name, "–", str(pedal.ratio), pedal.listens_to, begin)
            else:
                when = clock_text(max(0.0, told.at - (self._began or told.at)))
                last = f"{told.why} at {when}"
                table.add_row(pedal.name, f"{told.tempo:.1f} bpm", f"{told.ratio:g}", pedal.listens_to, last)
        return table


def news(fact: Fact) -> str | None:
    """Return a fact as a line that a performer reads in passing, or None where it is no news."""
    match fact:
        case FollowerChanged():
            return f"{fact.deck}: {fact.was} -> {fact.now}"
        case DeckChanged():
            return f"{fact.deck}: {fact.change}{_tempi(fact)}"
        case MarkPlaced():
            return f"mark: {fact.text}"
        case ListenerLost():
            return f"the listener was lost ({fact.why}); the clocks went on"
        case PortOpened():
            return f"{fact.port}: ready ({fact.found})"
        case PortLost():
            return f"{fact.port}: gone ({fact.why}); it is tried again every second"
        case TicksDropped():
            return f"{fact.port}: {fact.count} late ticks left out"
        case SoundLost():
            return f"sound: {fact.why}"
        case SoundNotKept():
            return f"sound is no longer recorded: {fact.why}"
    return None


def _tempi(change: DeckChanged) -> str:
    if change.tempo_before is None and change.tempo_after is None:
        return ""
    before, after = ("–" if tempo is None else f"{tempo:.1f}" for tempo in (change.tempo_before, change.tempo_after))
    return f", {before} -> {after} bpm"
