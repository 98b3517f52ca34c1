"""What every setting means, its unit, default and range, read from the settings themselves.

`config/every-setting.yaml` and `sentinel settings` are this, and nothing else: a setting is described once,
where it is defined.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from textwrap import wrap
from typing import Any, Literal, get_args, get_origin

from pydantic.fields import FieldInfo

from sentinel.core.errors import RequestProblem
from sentinel.core.section import Section
from sentinel.core.settings import Settings

WIDTH = 80
_UNITS = {
    "arcmin_h": "minutes of arc an hour", "arcsec": "seconds of arc", "deg": "degrees", "m": "metres",
    "mm": "millimetres", "um": "micrometres", "hpa": "hectopascals", "c": "degrees Celsius", "s": "seconds",
    "min": "minutes", "h": "hours", "px": "pixels of the stored frame", "mb": "megabytes", "utc": "UTC",
    "stops": "stops", "frames": "frames", "intervals": "camera intervals", "fraction": "a share",
    "ratio": "a ratio", "sigmas": "standard deviations", "level": "a share of full scale",
}  # fmt: skip
"""What stands at the end of a name, and what it means."""

NEEDED = "no default"
HEAD = (
    "Every setting of sentinel, with its meaning, unit and range, at its default: written by `sentinel "
    "settings` from the settings themselves. A file of your own needs only what differs; `sentinel init` "
    "writes one. Keys that are not listed here are refused, so that a slip of the pen does not go unnoticed. "
    "The place and the camera are invented."
)


@dataclass(frozen=True, slots=True)
class Explained:
    """One setting, or a part that holds some."""

    key: str
    """Its full path; of what stands in a list once for each entry, like `channels[].name`."""
    meaning: str
    facts: str
    """Unit, range, choices; empty for a part."""
    value: Any
    """Its default, or an invented one where it has none or would show nothing; of a part None."""
    default: str
    """In words; empty for a part."""
    inside: tuple["Explained", ...] = ()
    listed: bool = False
    """A part of which there may be any number."""


def every_setting() -> tuple[Explained, ...]:
    """Return all settings, part by part, in the order in which they are defined."""
    return tuple(_explained(name, field) for name, field in Settings.model_fields.items())


def known_keys() -> list[str]:
    """Return the full path of every setting and part."""
    return [one.key for one in _all(every_setting())]


def explain(key: str) -> Explained:
    """Return what is known of one key.

    Raises `RequestProblem` if there is none of that name; it says which may have been meant.
    """
    every = {one.key: one for one in _all(every_setting())}
    asked = key.strip().removesuffix(".")
    if asked in every:
        return every[asked]
    short = [name for name in every if name.split(".")[-1] == asked]
    if len(short) == 1:
        return every[short[0]]
    near = short or get_close_matches(asked, every, 3, 0.6)
    mend = f"perhaps {' or '.join(near)}" if near else "`sentinel settings` lists all there are"
    raise RequestProblem(f"there is no setting {asked!r}", where="--explain", mend=mend)


def explain_lines(one: Explained) -> list[str]:
    """Return a setting, or all of a part, for a terminal."""
    if not one.inside:
        return [one.key, *(f"  {line}" for line in wrap(_comment(one, one.default), WIDTH - 2))]
    lines = [*wrap(f"{one.key}: {one.meaning}", WIDTH)]
    for part in one.inside:
        lines += ["", *explain_lines(part)]
    return lines


def reference_yaml() -> str:
    """Return the whole reference as a file of settings that holds every one at its default."""
    lines = [f"# {line}" for line in wrap(HEAD, WIDTH - 2)]
    for part in every_setting():
        lines += ["", *(f"# {line}" for line in wrap(part.meaning, WIDTH - 2))]
        if part.listed:
            lines += [
                f"{part.key}: []",
                "# Each holds, for example:",
                *(f"# {t}" for t in _entry_lines(part)),
            ]
        else:
            lines.append(f"{part.key}:")
            for one in part.inside:
                needed = (one.default,) if one.default == NEEDED else ()
                lines += [f"  # {line}" for line in wrap(_comment(one, *needed), WIDTH - 4)]
                lines.append(f"  {one.key.rsplit('.', 1)[-1]}: {yaml_value(one.value)}")
    return "\n".join(lines) + "\n"


def yaml_value(value: Any) -> str:
    """Return a value as YAML on one line; JSON is YAML, and plain words need no quotes."""
    if isinstance(value, str) and value.isidentifier() and value not in {"null", "true", "false"}:
        return value
    return json.dumps(value, ensure_ascii=False)


def _entry_lines(part: Explained) -> list[str]:
    lines = []
    for number, one in enumerate(part.inside):
        lines += [f"    # {line}" for line in wrap(_comment(one), WIDTH - 8)]
        name = one.key.rsplit(".", 1)[-1]
        lines.append(f"{'  -' if number == 0 else '   '} {name}: {yaml_value(one.value)}")
    return lines


def _comment(one: Explained, *more: str) -> str:
    return "; ".join(part for part in (one.meaning, one.facts, *more) if part)


def _all(explained: tuple[Explained, ...]) -> Iterator[Explained]:
    for one in explained:
        yield one
        yield from _all(one.inside)


def _explained(key: str, field: FieldInfo) -> Explained:
    kind, listed = _part(field)
    if kind is None:
        default = _plain(field.get_default(call_default_factory=True))
        invented = field.is_required() or (default is None and field.examples)
        value = (field.examples or [None])[0] if invented else default
        told = NEEDED if field.is_required() else f"default {yaml_value(default)}"
        return Explained(key, field.description or "", _facts(key, field), value, told)
    prefix = f"{key}[]" if listed else key
    inside = tuple(_explained(f"{prefix}.{name}", one) for name, one in kind.model_fields.items())
    doc = " ".join((kind.__doc__ or "").split("\n\n")[0].split())
    if listed:
        doc = f"{doc} Any number of them, each with a name of its own."
    return Explained(key, doc, "", None, "", inside, listed)


def _part(field: FieldInfo) -> tuple[type[Section] | None, bool]:
    """Return what kind of part a field is, if it is one, and whether it is a list of them."""
    kind = field.annotation
    if isinstance(kind, type) and issubclass(kind, Section):
        return kind, False
    inner = get_args(kind)[:1] if get_origin(kind) is tuple else ()
    if inner and isinstance(inner[0], type) and issubclass(inner[0], Section):
        return inner[0], True
    return None, False


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _facts(key: str, field: FieldInfo) -> str:
    """Return unit, range and choices; empty where there is nothing to say."""
    name = key.rsplit(".", 1)[-1]
    unit = next((word for end, word in _UNITS.items() if name.endswith(f"_{end}")), "")
    choices = _choices(field.annotation)
    if unit and choices:
        unit = f"{unit} or {' or '.join(choices)}"
    elif choices:
        unit = f"one of {', '.join(choices)}"
    return ", ".join(part for part in (unit, _limits(field)) if part)


def _choices(kind: Any) -> tuple[str, ...]:
    if get_origin(kind) is Literal:
        return tuple(str(word) for word in get_args(kind))
    return tuple(word for inner in get_args(kind) for word in _choices(inner))


def _limits(field: FieldInfo) -> str:
    names = ("ge", "gt", "le", "lt")
    limits = {n: getattr(one, n) for one in field.metadata for n in names if hasattr(one, n)}
    if {"ge", "le"} <= set(limits):
        return f"{limits['ge']:g} to {limits['le']:g}"
    words = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    return ", ".join(f"{words[name]} {value:g}" for name, value in limits.items())
