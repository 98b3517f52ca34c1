"""What all settings are made of: a frozen section, and texts that are held to a form in plain words.

A field's description says what the value means; its unit is in its name, its range in its limits. All three
are written once, there: `sentinel.core.explained` makes the reference from them.
"""

import re
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field


class Section(BaseModel):
    """A part of the settings: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


def setting(default: Any, meaning: str, *, like: Any = None, **limits: Any) -> Any:
    """Define one value of a section.

    `default`: `...`: it has none.
    `like`: an invented value for the reference, where the default shows nothing.
    `limits`: as pydantic has them.
    """
    return Field(default, description=meaning, examples=None if like is None else [like], **limits)


def _of_form(pattern: str, words: str) -> Callable[[str], str]:
    """Return a check that a text has a form; the complaint is in words and never repeats the text."""
    form = re.compile(pattern)

    def check(text: str) -> str:
        if form.fullmatch(text) is None:
            raise ValueError(words)
        return text

    return check


TimeOfDay = Annotated[
    str,
    AfterValidator(_of_form(r"([01]\d|2[0-3]):[0-5]\d", 'must be a time of day in quotes, like "21:30"')),
]
ShortName = Annotated[
    str,
    AfterValidator(
        _of_form(
            r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}",
            "must be letters, digits, - and _, 32 at most, the first a letter or a digit",
        )
    ),
]
SecretPlace = Annotated[
    str,
    AfterValidator(
        _of_form(
            r"env:[A-Za-z_][A-Za-z0-9_]*|credential:[A-Za-z0-9_.-]+|file:([^\s:]|[^\s:][^:]*[^\s:])",
            "must say where it stands: env:NAME, credential:NAME or file:PATH",
        )
    ),
]
"""Where a secret stands, never the secret itself."""
Address = Annotated[
    str, AfterValidator(_of_form(r"\S+:\d{1,5}", "must be an address and a port, like 127.0.0.1:8712"))
]
