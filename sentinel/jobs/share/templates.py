"""Where this room's pages come from."""

from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@lru_cache(maxsize=1)
def templates() -> "Environment":
    """Return the pages' templates; whatever stands in names stays text."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - not needed to import a room

    return Environment(
        loader=PackageLoader("sentinel.jobs.share", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
