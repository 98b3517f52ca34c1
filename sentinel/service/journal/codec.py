"""Records <-> JSON: exact for the journal, plain for people's files."""

import dataclasses
import json
from datetime import date, datetime
from enum import Enum
from math import isfinite
from typing import Any, TypeVar

from pydantic import TypeAdapter

from sentinel.core.records import Forecast
from sentinel.core.times import format_utc
from sentinel.service.journal.forecast_line import record_of

T = TypeVar("T")


_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    # Built once a kind: building costs a hundred times what using it does.
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def encode(record: object) -> str:
    """Return a record as JSON from which `decode` makes an equal one; NaN stands as NaN."""
    return json.dumps(_adapter(type(record)).dump_python(record, mode="json"), separators=(",", ":"))


def decode(kind: type[T], body: str) -> T:
    """Return the record of a kind that `encode` wrote, today or before."""
    values = json.loads(body)
    record: T = _adapter(kind).validate_python(record_of(values) if kind is Forecast else values)
    return record


def plain(value: Any) -> Any:
    """Return a record as strict JSON values: times as text with a trailing Z, NaN as null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return format_utc(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float):
        return float(value) if isfinite(value) else None
    return value
