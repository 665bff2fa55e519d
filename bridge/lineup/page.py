"""The page of a line-up: what is to be looked at first, then what nobody knows, then what is well."""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from bridge.lineup.findings import Finding, Well, summary
from bridge.review.words import clean, day_and_time
from bridge.rig import Rig
from bridge.web.shell import render

CAUTIONS = (
    (
        "Loud",
        "Turn monitors and headphones down before a plug is pulled or pushed, a box switched on, or phantom power "
        "changed, and bring them up again slowly. What hurts once may stay: ears do not grow back.",
    ),
    (
        "Hum",
        "Two boxes that are earthed twice make a loop, and it hums. Break it in the signal: an isolating transformer "
        "box, a balanced cable, a battery, all mains gear on one strip. Never lift the protective earth of mains gear: "
        "it is what keeps a fault from killing.",
    ),
    (
        "Inside",
        "Covers of mains gear stay shut. A box that tingles, smells or trips the breaker is unplugged, and goes to "
        "qualified service.",
    ),
)
"""What nobody should have to learn by ear."""

GROUPS: tuple[tuple[Well, str], ...] = (("look", "To look at"), ("open", "Not checked"), ("well", "Well"))


def lineup_page(rig: Rig, findings: Sequence[Finding], wall: float) -> str:
    """Return the page as HTML that holds everything it needs.

    Args:
        rig: What was walked through.
        findings: What was found, in order.
        wall: Wall time in seconds since 1970 UTC.
    """
    said = {
        "title": clean(rig.take.name),
        "when": day_and_time(wall),
        "summary": summary(findings),
        "groups": [_group(title, findings, well) for well, title in GROUPS] + [_cautions()],
        "rig": clean(rig.path),
        "command": clean(shlex.quote(rig.path)),
    }
    return render("lineup.html", {}, said)


def lineup_json(rig: Rig, findings: Sequence[Finding], wall: float) -> str:
    """Return the same as plain values, as JSON."""
    told = {"rig": rig.path, "wall": wall, "summary": summary(findings), "findings": [asdict(one) for one in findings]}
    return json.dumps(told, indent=2, ensure_ascii=False)


def _group(title: str, findings: Sequence[Finding], well: Well) -> dict[str, Any]:
    """Return one table, of each deck and pedal in turn; what to do is left out where nothing is to be done."""
    places = list(dict.fromkeys(one.where for one in findings))
    there = sorted((one for one in findings if one.well == well), key=lambda one: places.index(one.where))
    heads = ["Where", "What", "Found"] + (["What to do"] if any(one.todo for one in there) else [])
    rows = [
        [clean(cell) for cell in (one.where, one.what, one.said, f"{one.todo}." if one.todo else "")][: len(heads)]
        for one in there
    ]
    return {"title": title, "heads": heads, "rows": rows}


def _cautions() -> dict[str, Any]:
    return {"title": "With care", "heads": ["What", "How"], "rows": CAUTIONS}
