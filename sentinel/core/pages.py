"""Pages from the templates that lie in a room, and the pictures in them."""

import base64
from collections.abc import Callable
from functools import cache
from math import isfinite
from typing import TYPE_CHECKING, Any

from sentinel.core.words import count, many, minute, span

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
    "minute": minute, "span": span, "count": count, "many": many, "number": number,
}  # fmt: skip
"""The house's words, for every page."""


@cache
def _templates(room: str) -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - not needed to import a room

    environment = Environment(
        loader=PackageLoader(room, "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= FILTERS
    return environment


def page(room: str, template: str, **shown: Any) -> str:
    """Return the page that a room's template makes; whatever stands in names and messages stays text."""
    return str(_templates(room).get_template(template).render(**shown))


def jpeg_url(jpeg: bytes) -> str:
    """Return a JPEG as an address that holds it whole."""
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
