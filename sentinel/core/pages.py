"""Pages from the templates that lie in a room, and the pictures in them."""

import base64
import re
from collections.abc import Callable
from functools import cache
from math import isfinite
from typing import TYPE_CHECKING, Any

from sentinel.core.words import count, how_often, many, minute, signed, span, span_of_minutes

if TYPE_CHECKING:
    from jinja2 import Environment


def number(value: float, decimals: int, *, sign: bool = False) -> str:
    """Return a number as a table shows it."""
    if not isfinite(value):
        return "–"
    shown = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    # What rounds to nought has no sign.
    return shown.replace("-", "−") if float(shown) else shown.lstrip("+-")


FILTERS: dict[str, Callable[..., str]] = {
    "minute": minute, "span": span, "span_of_minutes": span_of_minutes, "count": count, "many": many,
    "how_often": how_often, "number": number, "signed": signed,
}  # fmt: skip
"""The house's words, for every page."""


@cache
def _templates(room: str) -> "Environment":
    from jinja2 import (  # noqa: PLC0415 - not needed to import a room
        Environment,
        PackageLoader,
        StrictUndefined,
        select_autoescape,
    )

    environment = Environment(
        loader=PackageLoader(room, "."),
        autoescape=select_autoescape(disabled_extensions=["txt.jinja"], default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    environment.filters |= FILTERS
    return environment


def page(room: str, template: str, **shown: Any) -> str:
    """Return the page that a room's template makes; whatever stands in names and messages stays text."""
    return str(_templates(room).get_template(template).render(**shown))


def said(room: str, template: str, what: str, *of: Any, **known: Any) -> list[str]:
    """Return the items of plain text that a macro of a room's template makes of something.

    Each begins with a dash at the begin of a line, and may go on over several; `known` holds for all macros.
    """
    text = str(getattr(_templates(room).get_template(template).make_module(known), what)(*of))
    items = (re.sub(r"[ \n]+", " ", item).strip() for item in re.split(r"(?m)^- ", text))
    return [item for item in items if item]


def jpeg_url(jpeg: bytes) -> str:
    """Return a JPEG as an address that holds it whole."""
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
