"""How the watch stands as metrics, for a monitoring system: no place, no secret, no text of a message.

Names follow the conventions of that trade: base units, `_seconds`, `_bytes`, `_total` for what only grows.
What is not known is left out. Ages are as of the time at which the metrics are made; of a file, which a watch
that is dead may have left behind, `sentinel_status_timestamp_seconds` says when that was.
"""

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

from sentinel.core.records import Severity
from sentinel.core.times import utc_s
from sentinel.service.status.standing import Standing

if TYPE_CHECKING:
    from prometheus_client import CollectorRegistry
    from prometheus_client.metrics_core import Metric

# An extra, and as slow to load as some commands are in all.
# ruff: noqa: PLC0415


class Measure(NamedTuple):
    """One number of a watch."""

    name: str
    help: str
    value: float | None
    """None: not known, and left out."""
    label: tuple[str, str] = ("", "")
    """What tells it from others of its name."""
    grows: bool = False
    """It only grows; its name then ends in `_total` where it is shown."""


def measures(s: Standing, now_utc: datetime) -> list[Measure]:
    """Return all of them as of a time."""
    open_now = Counter(trouble.severity for trouble in s.troubles)
    head = s.headline(now_utc)
    frame_s = utc_s(s.frame_utc) if s.frame_utc is not None else None
    return [
        Measure("sentinel_status_timestamp_seconds", "When these metrics were made.", utc_s(now_utc)),
        Measure(
            "sentinel_time_left_seconds",
            "How long the camera may still be left alone, once what is open is mended; negative: overdue.",
            _seconds(now_utc, head.until_utc),
        ),
        Measure(
            "sentinel_set_off_left_seconds",
            "How long until somebody must set off for the camera; negative: overdue.",
            _seconds(now_utc, head.set_off_utc),
        ),
        Measure(
            "sentinel_last_frame_age_seconds", "Since the newest exposure.", _seconds(s.frame_utc, now_utc)
        ),
        Measure("sentinel_last_frame_timestamp_seconds", "The newest exposure.", frame_s),
        Measure(
            "sentinel_last_sun_age_seconds",
            "Since the last exposure on which the sun was measured.",
            _seconds(s.verified_utc, now_utc),
        ),
        *(
            Measure("sentinel_open_conditions", "What is open.", open_now[one], ("severity", one.value))
            for one in Severity
        ),
        Measure("sentinel_frames", "Usable pictures.", s.frames, grows=True),
        Measure("sentinel_unusable_files", "Files that could not be used.", s.unusable, grows=True),
        Measure("sentinel_expected_frames", "How many pictures should have come.", s.frames_expected),
        Measure("sentinel_backlog_files", "Files seen and not finished.", s.waiting_files),
        Measure("sentinel_backlog_messages", "Messages that have not got through.", s.messages.waiting),
        Measure(
            "sentinel_latency_seconds",
            "From the arrival of the last live picture until it was measured and judged.",
            s.latency_s,
        ),
        Measure("sentinel_free_bytes", "Room left on a disk.", s.free_bytes, ("disk", "frames")),
        Measure("sentinel_free_bytes", "Room left on a disk.", s.state_free_bytes, ("disk", "state")),
        Measure("sentinel_camera_clock_offset_seconds", "Camera less UTC, as used.", s.clock_offset_s),
    ]


def _seconds(begin_utc: datetime | None, end_utc: datetime | None) -> float | None:
    return None if begin_utc is None or end_utc is None else (end_utc - begin_utc).total_seconds()


def registry_of(s: Standing, now_utc: datetime) -> "CollectorRegistry":
    """Return the metrics as the library writes them out: a registry of their own, with nothing else in it."""
    from prometheus_client import CollectorRegistry
    from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily

    camera = s.camera or ""

    class Written:
        """Hands the metrics to the registry."""

        def collect(self) -> "Iterator[Metric]":
            families: dict[str, Metric] = {}
            for one in measures(s, now_utc):
                if one.value is None:
                    continue
                labels = {"camera": camera, **dict([one.label] if one.label[0] else [])}
                kind = CounterMetricFamily if one.grows else GaugeMetricFamily
                family = families.setdefault(one.name, kind(one.name, one.help))
                family.add_sample(f"{one.name}_total" if one.grows else one.name, labels, float(one.value))
            yield from families.values()

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Written())
    return registry
