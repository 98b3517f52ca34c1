"""What pydantic finds wrong, in plain words; what was written is repeated only where it is no secret."""

import re
from typing import Any

from pydantic import ValidationError

_A_NAME = re.compile(r"[a-z][a-z_]{0,30}")
_A_WORD = re.compile(r"[A-Za-z]{1,4}")
"""Shorter than any secret."""
_OF_NUMBERS = {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "multiple_of"}


def shown_key(key: object) -> str:
    """Return a key as it may be shown: an address with its password may have been written in its place."""
    text = str(key)
    return text if isinstance(key, int) or _A_NAME.fullmatch(text) else "(a name that is not shown)"


def one_line(error: ValidationError) -> tuple[str, str]:
    """Return the key path and the complaint of the first thing pydantic found wrong."""
    return complaints(error)[0]


def complaints(error: ValidationError) -> list[tuple[str, str]]:
    """Return the key path and the complaint of each thing pydantic found wrong."""
    return [_complaint(dict(detail)) for detail in error.errors(include_url=False)]


def _complaint(first: dict[str, Any]) -> tuple[str, str]:
    # Names of the kinds of a choice stand in the path too, like `function-after[...]`: those are ours.
    path = ".".join(shown_key(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return path, "is not a known setting"
    if first["type"] == "missing":
        return path, "is missing"
    if path.endswith("url_from"):
        return path, "must say where the address stands: env:NAME, credential:NAME or file:PATH"
    if path.endswith("token_from"):
        return path, "must say where the token stands: env:NAME, credential:NAME or file:PATH"
    if first["type"] == "value_error":
        return path, first["msg"].removeprefix("Value error, ")
    complaint = f"{first['msg'][0].lower()}{first['msg'][1:]}"
    return path, complaint + _shown_value(first)


def _shown_value(first: dict[str, Any]) -> str:
    value = first["input"]
    of_a_number = isinstance(value, int | float) and first["type"] in _OF_NUMBERS
    of_a_word = isinstance(value, str) and _A_WORD.fullmatch(value) is not None
    return f", not {value!r}" if of_a_number or of_a_word else ""
