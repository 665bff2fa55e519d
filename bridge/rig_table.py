"""What all tables of a rig are made of: texts, names and tempi with their ranges, and how a key says what it wants."""

from __future__ import annotations

from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from bridge.units import TEMPO_MAX, TEMPO_MIN

REFUSED = "refused"
"""Type of the pydantic errors raised here; their text is what was found, ready to follow the value."""

_Item = TypeVar("_Item")


def refused(found: str) -> PydanticCustomError:
    """Return the refusal of a value, in words that follow it."""
    return PydanticCustomError(REFUSED, "{found}", {"found": found})


def one_line(text: str) -> str:
    """Return a text that can be shown in a line."""
    if not text.isprintable() or text != text.strip():
        raise refused("has blanks at an end, or signs that cannot be shown")
    return text


def ascending(pair: list[float]) -> list[float]:
    """Return a pair that goes from low to high."""
    if len(pair) != 2:
        raise refused(f"has {len(pair)} numbers instead of 2")
    if not pair[0] < pair[1]:
        raise refused("does not go from low to high")
    return pair


def each_once(items: list[_Item]) -> list[_Item]:
    """Return a list without repetition."""
    for index, item in enumerate(items):
        if item in items[:index]:
            raise refused(f"has {item} twice")
    return items


Text = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(one_line)]
Name = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(one_line)]
Tempo = Annotated[float, Field(ge=TEMPO_MIN, le=TEMPO_MAX)]


def must(wants: str) -> Any:
    """Return a key that must be given, and what it wants."""
    return Field(description=wants)


def may(wants: str) -> Any:
    """Return a key that may be left out, and what it wants."""
    return Field(default=None, description=wants)  # an absent key is left unset and never read


class Table(BaseModel):
    """A table of a rig: types as written, no unknown keys."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
