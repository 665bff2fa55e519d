"""One page in one file: template, styles and scripts put together so that nothing is fetched when it opens."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

HERE = Path(__file__).parent

STYLES = ("vendor/uPlot.min.css", "log.css")
SCRIPTS = ("vendor/uPlot.iife.min.js", "paint.js", "player.js", "plots.js")


def render(template: str, data: dict[str, Any], said: dict[str, Any]) -> str:
    """Return a page that holds everything it needs.

    Its content security policy allows exactly the styles and scripts of this folder, by their hashes, and sound that
    lies beside the page: no other request can leave it, and text that looks like HTML stays text, twice over.

    Args:
        template: File name under ``templates``.
        data: What the scripts read: plain values, put into the page as JSON.
        said: What the template reads; every string is escaped.
    """
    styles, scripts = [_text(name) for name in STYLES], [_text(name) for name in SCRIPTS]
    policy = (
        f"default-src 'none'; script-src {_hashes(scripts)}; style-src {_hashes(styles)}; img-src data:; "
        "media-src file: 'self'; base-uri 'none'; form-action 'none'"
    )
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(
        said,
        policy=policy,
        styles=[Markup(style) for style in styles],
        scripts=[Markup(script) for script in scripts],
        data=Markup(_json(data)),
    )


def _text(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


def _hashes(texts: list[str]) -> str:
    digests = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts]
    return " ".join(f"'sha256-{digest}'" for digest in digests)


def _json(data: dict[str, Any]) -> str:
    """Return JSON that cannot end the element that it stands in: no ``<`` is left in it."""
    return json.dumps(data, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
