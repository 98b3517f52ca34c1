"""Records <-> JSON: exact for the journal, plain for people's files."""

import dataclasses
import json
from collections.abc import Mapping
from datetime import date, datetime
from enum import Enum
from math import isfinite
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_jsonable_python

from sentinel.chain.judge.details import DriftChanged, DriveRate, Runaway
from sentinel.core.detail import Detail
from sentinel.core.records import Forecast, Incident
from sentinel.core.times import format_utc
from sentinel.service.journal.forecast_line import record_of

T = TypeVar("T")


_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    # Built once a kind: building costs a hundred times what using it does.
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


_TOLD_BY: Mapping[str, type[Runaway]] = {"cause": DriftChanged, "rate_ratio": DriveRate}
"""The kinds of `runaway` that are not the usual one, by a name that only they have."""


def encode(record: object) -> str:
    """Return a record as JSON from which `decode` makes an equal one; NaN stands as NaN."""
    values = _adapter(type(record)).dump_python(record, mode="json")
    if isinstance(record, Incident):
        values["detail"] = to_jsonable_python(values_of(record.detail), inf_nan_mode="constants")
    return json.dumps(values, separators=(",", ":"))


def decode(kind: type[T], body: str) -> T:
    """Return the record of a kind that `encode` wrote, today or before."""
    values = json.loads(body)
    if kind is Forecast:
        values = record_of(values)
    elif kind is Incident:
        from sentinel.chain.judge.conditions import DETAILS  # noqa: PLC0415 - as the words of incidents

        kind_of_detail = DETAILS.get(values["condition"], Detail)
        values["detail"] = detail_of(kind_of_detail, values.get("detail", {}))
    record: T = _adapter(kind).validate_python(values)
    return record


def plain(value: Any) -> Any:
    """Return a record as strict JSON values: times as text with a trailing Z, NaN as null."""
    if isinstance(value, Detail):
        value = values_of(value)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
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


def values_of(detail: Detail) -> dict[str, Any]:
    """Return a detail as values by name: what is peculiar to it first, defaults left out."""
    known = {one.name: one for one in dataclasses.fields(detail)}
    peculiar = [name for kind in type(detail).__mro__ for name in getattr(kind, "__slots__", ())]
    values: dict[str, Any] = {}
    for name in (name for name in peculiar if name != "others"):
        value, one = getattr(detail, name), known[name]
        if value != one.default:
            values[name] = _values_in(value)
    return values | dict(detail.others)


def _values_in(value: Any) -> Any:
    if isinstance(value, Detail):
        return values_of(value)
    if isinstance(value, tuple) and value and isinstance(value[0], Detail):
        return [values_of(one) for one in value]
    return value


def detail_of(kind: type[Detail], values: Mapping[str, Any]) -> Detail:
    """Return the detail of a kind that values are of, whichever version of the program kept them."""
    if kind is Runaway:
        kind = next((other for name, other in _TOLD_BY.items() if name in values), kind)
    names = {one.name for one in dataclasses.fields(kind)}
    known = {name: value for name, value in values.items() if name in names}
    try:
        detail: Detail = _adapter(kind).validate_python(known)
    except ValidationError:
        # Kept by a version that meant something else by these names.
        return kind(others=dict(values))
    others = {name: value for name, value in values.items() if name not in names}
    return dataclasses.replace(detail, others=others) if others else detail
