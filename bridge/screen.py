"""The terminal while a set runs: what is heard on each deck, what each pedal was last told.

A thread of its own prints, so that a terminal that is stopped (Ctrl-S), full, closed or at odds with a letter holds up
nothing: what waits for it is dropped, oldest first, and what fails once is not tried again.
"""

from __future__ import annotations

import io
import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.engine import DeckStatus
from bridge.events import Fact, PedalTold, PortLost, PortOpened, SoundLost
from bridge.rig import Rig
from bridge.screen_news import news
from bridge.units import SILENCE_DB, clock_text

REFRESH_S = 0.25
"""A terminal is redrawn this often."""

STATE_SIGN = {"idle": "·", "listening": "?", "following": "●", "holding": "="}
"""A sign beside each state, so that it is never told by colour alone."""

STATE_STYLE = {"idle": "dim", "listening": "yellow", "following": "bold", "holding": "cyan"}

LEVEL_CELLS = 16
LEVEL_FLOOR_DB = -60.0
"""The level bar's cells, and the level at which it is empty."""


LINES_WAITING = 200
"""Lines that wait for the terminal; of pictures only the newest does."""

LEAVE_S = 1.0
"""Leaving waits for the terminal at most this long."""

NEWS_MIN, NEWS_MAX = 5, 12
"""Fewest and most lines of news beneath the tables; between, as many as the terminal has room for."""

LINE_LENGTH = 200
"""A longer line of news is cut."""


class Screen:
    """Shows a running set; used with ``with``. Where output is no terminal, only changes are printed, a line each.

    Nothing here waits for the terminal or raises because of it.

    Args:
        rig: What is plugged in.
        title: What runs, for the top line.
        began_at: Host time at which the set began, in seconds.
        console: Where to print; None for standard output.
    """

    def __init__(self, rig: Rig, title: str, began_at: float, console: Console | None = None) -> None:
        self._rig = rig
        self._title = one_line(title)
        self._began = began_at
        self._told: dict[str, PedalTold] = {}
        self._gone: set[str] = set()
        self._stage: tuple[str, ...] = ()
        self._news: list[_News] = []
        self._drawn = float("-inf")
        self._printer = _Printer(console or _standard_output())

    def __enter__(self) -> Screen:
        self._printer.start()
        if not self._printer.redraws:
            self._printer.show(Text(self._title))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._printer.leave()

    def take_over(self, told: PedalTold) -> None:
        """Show what an earlier listener told a pedal, which is no news."""
        self._told[told.pedal] = told

    def show_gone(self, ports: Iterable[str]) -> None:
        """Show that ports are gone which an earlier listener heard being lost."""
        self._gone.update(ports)

    def show_stage(self, lines: tuple[str, ...]) -> None:
        """Show how loopers, cues, bars and meeting points stand."""
        self._stage = lines

    def note(self, fact: Fact) -> None:
        """Take in a fact; print it where there is no terminal to redraw."""
        if isinstance(fact, PedalTold):
            self._told[fact.pedal] = fact
            text = None if fact.why in ("drift", "phase") else f"{fact.pedal}: {fact.why}, {fact.tempo:.1f} bpm"
        else:
            text = news(fact)
        if isinstance(fact, PortLost):
            self._gone.add(fact.port)
        elif isinstance(fact, PortOpened):
            self._gone.discard(fact.port)
        if text is None:
            return
        new = _News(fact.at, one_line(text), folds=isinstance(fact, SoundLost))
        self._add(new)
        if not self._printer.redraws and new.times.bit_count() == 1:  # once, twice, 4, 8, 16 times
            self._printer.show(Text(self._line(new)))

    def _add(self, new: _News) -> None:
        """Keep the newest news in the order of their time; what repeats itself is one of them."""
        for old in self._news:
            if new.folds and old.text == new.text:
                new.times += old.times
                self._news.remove(old)
                break
        self._news = sorted([*self._news, new], key=lambda one: one.at)[-NEWS_MAX:]

    def _line(self, one: _News) -> str:
        times = f" ({one.times} times)" if one.times > 1 else ""
        return f"{self._time(one.at)}  {one.text}{times}"

    def draw(self, at: float, decks: Sequence[DeckStatus]) -> None:
        """Redraw the terminal if it is time.

        Args:
            at: Host time in seconds.
            decks: How each deck stands.
        """
        if not self._printer.redraws or at < self._drawn + REFRESH_S:
            return
        self._drawn = at
        head = _text(f"{self._title}  {self._time(at)}   Ctrl-C ends the set")
        rows = (
            self._printer.height - 3 - len(self._rig.decks) - len(self._rig.pedals) - len(self._stage)
        )  # and one a table
        newest = self._news[-min(NEWS_MAX, max(NEWS_MIN, rows)) :]
        news_lines = Text("\n".join(map(self._line, newest)), style="dim", no_wrap=True, overflow="ellipsis")
        stage = Text("\n".join(map(one_line, self._stage)), no_wrap=True, overflow="ellipsis")
        parts = [stage] if self._stage else []
        self._printer.show(Group(head, self._deck_table(decks), self._pedal_table(), *parts, news_lines))

    def _time(self, at: float) -> str:
        return clock_text(max(0.0, at - self._began))

    def _deck_table(self, decks: Sequence[DeckStatus]) -> Table:
        table = Table("deck", "level", "heard tempo", "state", box=None, padding=(0, 2))
        known = {deck.deck: deck for deck in decks}
        for name in (deck.name for deck in self._rig.decks):
            if (deck := known.get(name)) is None:
                table.add_row(_text(name), "no sound yet", "–", "")
                continue
            filled = round(LEVEL_CELLS * min(1.0, max(0.0, 1.0 - deck.level_db / LEVEL_FLOOR_DB)))
            level = "silent" if deck.level_db <= SILENCE_DB else f"{deck.level_db:.0f} dB"
            tempo = "–" if deck.tempo is None else f"{deck.tempo:.1f} bpm"
            state = Text(f"{STATE_SIGN[deck.state]} {deck.state}", style=STATE_STYLE[deck.state])
            table.add_row(_text(name), Text(f"{'▮' * filled:<{LEVEL_CELLS}} {level}"), Text(tempo), state)
        return table

    def _pedal_table(self) -> Table:
        table = Table("pedal", "clock", "ratio", "listens to", "last told", box=None, padding=(0, 2))
        for pedal in self._rig.pedals:
            told = self._told.get(pedal.name)
            if told is None:
                clock, ratio = "–", str(pedal.ratio)
                last = "nothing yet" if pedal.begin_tempo is None else f"begins at {pedal.begin_tempo:g} bpm"
            else:
                clock, ratio = f"{told.tempo:.1f} bpm", f"{told.ratio:g}"
                last = f"{told.why} at {self._time(told.at)}"
            if pedal.port in self._gone:
                clock, last = "–", "port gone"
            table.add_row(*map(_text, (pedal.name, clock, ratio, pedal.listens_to, last)))
        return table


@dataclass(slots=True)
class _News:
    """One line of news.

    Attributes:
        at: Host time in seconds.
        text: The line.
        folds: Whether the same line again adds to `times` instead of a line.
        times: How often it was said.
    """

    at: float
    text: str
    folds: bool
    times: int = 1


class _Printer:
    """Prints from a thread that nobody waits for.

    Args:
        console: Where to print; None for nowhere.

    Attributes:
        redraws: Whether one picture takes the place of the last, instead of lines that follow each other.
    """

    def __init__(self, console: Console | None) -> None:
        self._console = console
        self.redraws = console is not None and console.is_terminal and not console.is_dumb_terminal
        self._waiting: deque[RenderableType] = deque(maxlen=1 if self.redraws else LINES_WAITING)
        self._wake = threading.Event()
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="screen", daemon=True)

    @property
    def height(self) -> int:
        """Rows of the terminal."""
        return 0 if self._console is None else self._console.height

    def start(self) -> None:
        self._thread.start()

    def show(self, what: RenderableType) -> None:
        """Have it printed soon, unless the terminal takes nothing."""
        self._waiting.append(what)
        self._wake.set()

    def leave(self) -> None:
        """Wait until all is printed, but at most `LEAVE_S`."""
        self._ending = True
        self._wake.set()
        self._thread.join(LEAVE_S)

    def _run(self) -> None:
        console = self._console
        with suppress(BaseException):  # a set goes on whatever a terminal does; a closed pipe makes rich exit
            if console is not None and self.redraws:
                with Live(console=console, auto_refresh=False, redirect_stdout=False, redirect_stderr=False) as live:
                    self._print_all(lambda picture: live.update(picture, refresh=True))
            elif console is not None:
                self._print_all(lambda line: console.print(line, soft_wrap=True))

    def _print_all(self, put: Callable[[RenderableType], None]) -> None:
        ended = False
        while not ended:
            self._wake.wait()
            self._wake.clear()
            ended = self._ending  # asked before the last look, so that nothing is left
            while self._waiting:
                put(self._waiting.popleft())


def _standard_output() -> Console | None:
    """Return a console on standard output that cannot refuse a letter; None where there is no standard output.

    It has no buffer: the lock of one would be held by a thread that a stopped terminal blocks, and Python waits for
    that lock at its end.
    """
    try:
        raw = open(sys.stdout.fileno(), "wb", buffering=0, closefd=False)  # noqa: SIM115 - as long as the process
        stream = io.TextIOWrapper(raw, sys.stdout.encoding, errors="replace", write_through=True)
    except (AttributeError, OSError, ValueError):  # None, closed, or a test's
        return None
    return Console(file=stream)


def tell(text: str) -> None:
    """Print a line on standard error, waiting for the terminal at most `LEAVE_S`; where that is impossible, do not."""

    def write() -> None:
        with suppress(OSError):
            os.write(2, f"{text}\n".encode(errors="replace"))

    thread = threading.Thread(target=write, daemon=True)
    thread.start()
    thread.join(LEAVE_S)


def one_line(text: str) -> str:
    """Return a text as one short line: no control characters, at most `LINE_LENGTH` characters."""
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return plain if len(plain) <= LINE_LENGTH else f"{plain[: LINE_LENGTH - 1]}…"


def _text(text: str) -> Text:
    """Return a text as it is: square brackets in a name are no markup."""
    return Text(one_line(text))
