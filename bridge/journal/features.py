"""What a deck sounded like, in under 1 MB an hour: by it a tape is recognised on a later night, when its sound is gone.

A file is ``features-SSS-N-NAME.bin``: SSS is the listener's start, N the deck's place in the rig from 1, NAME its name
in plain letters. Its first line is JSON and says all that is needed to read the rest: ``at`` is the host time of the
first row, ``decks`` and so on what they say. Then come rows of 32 bytes, eight a second, without a gap: the deck's
level, then the level of 31 bands, six an octave from 110 Hz to 3.95 kHz. A byte b above 0 stands for b / 2 - 100.5 dB
relative to full scale; 0 stands for silence, or for a row that was not heard. Whatever the block lengths, the same
sound gives the same rows. A torn last row is passed over.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.errors import TakeError

SCHEMA = 1
"""Version of the file's form; grows when an older reader would misread a newer file."""

ROWS_PER_S = 8
BANDS = 31
BANDS_PER_OCTAVE = 6
LOWEST_HZ = 110.0

LONGEST_GAP_S = 6 * 3600
"""A longer gap is not filled with empty rows: then sound counts from there on as if there were none."""

_FLOOR_DB = -100.5
_STEP_DB = 0.5

Rows = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeckRows:
    """The features of one deck, from one start of the listener.

    Attributes:
        deck: The deck's name.
        start: The listener's start, from 1.
        at: Host time of the first row's begin, in seconds.
        rows: Shape (n, 32): level and bands, as bytes.
    """

    deck: str
    start: int
    at: float
    rows: Rows

    @property
    def length_s(self) -> float:
        """How long the rows last, in seconds."""
        return len(self.rows) / ROWS_PER_S


class RowMaker:
    """Makes rows of one deck's sound.

    Args:
        rate: Frames per second, 8000..192000.

    Raises:
        ValueError: ``rate`` is out of range.
    """

    def __init__(self, rate: int) -> None:
        if not 8000 <= rate <= 192000:
            raise ValueError(f"rate must be 8000..192000 frames per second, got {rate!r}")
        self._rate = rate
        self._first: int | None = None
        self._row = 0  # the next one
        self._at = 0  # where the sound that waits begins, in frames since the first
        self._sound = np.zeros(0, np.float32)
        self._parts: list[NDArray[np.float32]] = []  # what came since, until it is enough for a row
        self._end = 0  # of all that came, in frames since the first
        window = 2 * (rate // ROWS_PER_S)
        self._window = np.hanning(window).astype(np.float32)
        edges = LOWEST_HZ * 2.0 ** ((np.arange(BANDS + 1) - 0.5) / BANDS_PER_OCTAVE)
        bins = np.minimum(np.round(edges * window / rate).astype(int), window // 2)
        self._starts, self._heard = bins, np.diff(bins) > 0

    def hear(self, frame: int, samples: NDArray[np.float32]) -> Rows:
        """Take in sound, and return the rows that it completed; what is missing before it becomes empty rows.

        Args:
            frame: Number of its first frame.
            samples: Shape (frames,), full scale is 1.0; NaN counts as silence.
        """
        if self._first is None:
            self._first = frame
        missing = frame - self._first - self._end
        done = [self._gap(missing)] if missing else []
        self._parts.append(samples.copy())
        self._end += len(samples)
        begin = self._row * self._rate // ROWS_PER_S
        if self._end < begin + len(self._window):
            return done[0] if done else np.zeros((0, BANDS + 1), np.uint8)
        heard = np.concatenate([self._sound, *self._parts])
        self._sound = np.nan_to_num(heard, copy=False, posinf=1.0, neginf=-1.0)
        self._parts.clear()
        while (row := self._next_row()) is not None:
            done.append(row[None])
        return np.concatenate(done) if done else np.zeros((0, BANDS + 1), np.uint8)

    def _gap(self, missing: int) -> Rows:
        """Leave the begun row, and all that the gap covers, empty."""
        assert self._first is not None
        if not 0 < missing <= LONGEST_GAP_S * self._rate:
            self._first += missing
            return np.zeros((0, BANDS + 1), np.uint8)
        self._end += missing
        self._at = self._end
        self._sound = np.zeros(0, np.float32)
        self._parts.clear()
        empty = max(0, -(-self._at * ROWS_PER_S // self._rate) - self._row)
        self._row += empty
        return np.zeros((empty, BANDS + 1), np.uint8)

    def _next_row(self) -> Rows | None:
        begin = self._row * self._rate // ROWS_PER_S
        over = min(max(0, begin - self._at), len(self._sound))  # of the row before
        self._sound, self._at = self._sound[over:], self._at + over
        if self._at < begin or len(self._sound) < len(self._window):
            return None
        self._row += 1
        return self._levels(self._sound[: len(self._window)])

    def _levels(self, piece: NDArray[np.float32]) -> Rows:
        spectrum = np.abs(np.fft.rfft((piece - piece.mean()) * self._window)) ** 2
        scale = 2.0 / len(self._window) ** 2 / 0.375  # so that a band reads its RMS level
        sums = np.concatenate([[0.0], np.cumsum(spectrum)])
        bands = np.where(self._heard, np.diff(sums[self._starts]), 0.0) * scale
        power = np.concatenate([[float(np.mean((piece - piece.mean()) ** 2))], bands])
        levels = 10.0 * np.log10(np.maximum(power, 1e-12))
        whole: Rows = np.clip(np.round((levels - _FLOOR_DB) / _STEP_DB), 0, 255).astype(np.uint8)
        return whole


def levels_db(rows: Rows) -> NDArray[np.float64]:
    """Return rows in dB relative to full scale, shape (n, 32); -inf where nothing was heard."""
    return np.where(rows > 0, rows * _STEP_DB + _FLOOR_DB, -np.inf)


def file_name(start: int, place: int, deck: str) -> str:
    """Return the name of a deck's file; ``place`` is the deck's in the rig, from 1."""
    plain = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in deck.lower())
    return f"features-{start:03}-{place}-{plain.strip('-')[:40] or 'deck'}.bin"


def header(deck: str, start: int, at: float) -> bytes:
    """Return the first line of a file, newline and all."""
    said = {
        "features": "tape-bridge",
        "schema": SCHEMA,
        "deck": deck,
        "start": start,
        "at": at,
        "rows_per_s": ROWS_PER_S,
        "bands": BANDS,
        "bands_per_octave": BANDS_PER_OCTAVE,
        "lowest_hz": LOWEST_HZ,
        "step_db": _STEP_DB,
        "floor_db": _FLOOR_DB,
    }
    return json.dumps(said, allow_nan=False).encode() + b"\n"


def read_features(folder: Path) -> tuple[list[DeckRows], list[str]]:
    """Return the features in a take's folder, in order of their names, and in words which files cannot be read."""
    found, faults = [], []
    for path in sorted(folder.glob("features-*.bin")):
        try:
            found.append(_read(path))
        except (OSError, ValueError, KeyError, TypeError) as error:
            faults.append(f"{path.name}: {getattr(error, 'strerror', None) or error}")
    return found, faults


def write_features(path: Path, deck: str, start: int, at: float, rows: Sequence[Rows]) -> None:
    """Write a file of features that were made afterwards; never over one that is there.

    Raises:
        TakeError: It cannot be written, or is there already.
    """
    try:
        with path.open("xb") as file:
            file.write(header(deck, start, at))
            for part in rows:
                file.write(part.tobytes())
    except OSError as error:
        raise TakeError(f"{path}: cannot be written: {error.strerror or error}. Make room on that disk.") from error


def _read(path: Path) -> DeckRows:
    first, _, rest = path.read_bytes().partition(b"\n")
    said = json.loads(first)
    if said["features"] != "tape-bridge" or said["schema"] != SCHEMA:
        raise ValueError(f"form {said.get('schema')!r} is not read by this bridge ({SCHEMA})")
    whole = len(rest) // (BANDS + 1)
    rows = np.frombuffer(rest[: whole * (BANDS + 1)], np.uint8).reshape(whole, BANDS + 1)
    return DeckRows(deck=str(said["deck"]), start=int(said["start"]), at=float(said["at"]), rows=rows)
