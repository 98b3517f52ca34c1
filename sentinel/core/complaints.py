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
    found: dict[str, str] = {}
    for detail in error.errors(include_url=False):
        path, complaint = _complaint(dict(detail))
        # Of a choice between kinds each says what it would have been.
        found[path] = f"{found[path]}, or {complaint}" if path in found else complaint
    return list(found.items())


def _complaint(first: dict[str, Any]) -> tuple[str, str]:
    unknown = first["type"] in {"extra_forbidden", "invalid_key"}
    path = _place(first["loc"], named=unknown)
    if unknown:
        return path, "is not a known setting"
    if first["type"] == "missing":
        return path, "is missing"
    if path.endswith("url_from"):
        return path, "must say where the address stands: env:NAME, credential:NAME or file:PATH"
    if path.endswith("token_from"):
        return path, "must say where the token stands: env:NAME, credential:NAME or file:PATH"
    if first["type"] == "value_error":
        return path, first["msg"].removeprefix("Value error, ")
    if first["type"] == "union_tag_invalid":
        return path, f"is of no known kind; known are {first['ctx']['expected_tags']}"
    if first["type"] in {"too_long", "too_short"}:
        context = first["ctx"]
        least_or_most = (
            f"at most {context['max_length']}"
            if "max_length" in context
            else f"at least {context['min_length']}"
        )
        return path, f"should hold {least_or_most}, not {context['actual_length']}"
    complaint = first["msg"].removeprefix("Input ")
    for theirs, ours in _PLAIN:
        complaint = re.sub(theirs, ours, complaint)
    return path, complaint + _shown_value(first)


_PLAIN = (
    (r"a valid (tuple|list)", "a list, like [1, 2]"),
    (r"a valid dictionary( or instance of \w+)?", "a part with keys of its own"),
    (r"a valid string", "text"),
    (r"a valid boolean", "true or false"),
    (r"a valid integer", "a whole number"),
)
"""What pydantic calls things, and what people do."""
_KINDS = re.compile(r"float|int|str|bool|.*[\[(].*")
"""Names of the kinds of a choice stand in a path too."""
_ENTRIES = {
    "horizon": "pair",
    "channels": "channel",
    "patterns": "pattern",
    "digest_utc": "time",
    "events": "event",
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def _place(loc: tuple[object, ...], *, named: bool) -> str:
    """Return where something stands: the keys, and of a list which entry, counted as people do."""
    path, last = "", ""
    for number, part in enumerate(loc):
        # A number that stands as a key is no place in a list.
        is_key = named and number == len(loc) - 1
        if isinstance(part, int) and not is_key:
            within = path.endswith(":")
            entry = _counted(part, "number" if within else _ENTRIES.get(last, "entry"))
            path += f" its {entry}:" if within else f": the {entry}:"
        elif is_key or not _KINDS.fullmatch(str(part)):
            last = shown_key(part)
            path += f" {last}" if path.endswith(":") else f".{last}" if path else last
    return path.removesuffix(":")


def _counted(index: int, noun: str) -> str:
    return f"{_ORDINALS[index]} {noun}" if index < len(_ORDINALS) else f"{noun} number {index + 1}"


def _shown_value(first: dict[str, Any]) -> str:
    value = first["input"]
    of_a_number = isinstance(value, int | float) and first["type"] in _OF_NUMBERS
    of_a_word = isinstance(value, str) and _A_WORD.fullmatch(value) is not None
    return f", not {value!r}" if of_a_number or of_a_word else ""
