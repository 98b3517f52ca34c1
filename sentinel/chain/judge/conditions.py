"""The table of conditions: a row each, in the order in which they are judged, causes before their effects.

A new condition is one row here, one detector, its words in `notify/wording` and its tests; a test walks the
table so that none of it is forgotten.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sentinel.chain.judge import camera_details, details
from sentinel.core.detail import Detail


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What the judge knows of a condition before any frame has come."""

    name: str
    """As incidents have it; after a colon, what tells those apart that share their name."""
    detail: type[Detail]
    """What it is told by."""
    explained_by: tuple[str, ...] = ()
    """While one of these is open, only the cause is said."""
    settle_s: float = 0.0
    """How long it must be clean before it is over; 0 where its detector sees to that itself."""
    said_on_visits: bool = False
    """Said even while somebody is announced to be at the camera."""
    by_measurement: bool = False
    """Found in a single disc: held back while somebody pushes it about, and until a visit is known to have
    ended well."""
    job: str | None = None
    """The job of the evening's list that says it beforehand."""
    thresholds: tuple[str, ...] = ()
    """The settings that decide it."""

    @property
    def told_as(self) -> str:
        """Its name in incidents and messages."""
        return self.name.partition(":")[0]


_SUPPLY = ("supply_soon_h", "supply_now_h")
_LEADS = ("lead_soon_min", "lead_now_min", "lead_clear_min")

CONDITIONS: tuple[Condition, ...] = (
    Condition(
        name="over-bright", detail=details.OverBright, settle_s=60.0, said_on_visits=True,
        thresholds=("bright_saturated_fraction", "bright_jump_ratio"),
    ),
    Condition(
        name="visit", detail=camera_details.VisitTold,
        explained_by=("over-bright",), said_on_visits=True,
        thresholds=("visit_check_min", "visit_default_min"),
    ),
    Condition(
        name="no-frames", detail=camera_details.NoFrames,
        thresholds=("no_frames_intervals", "no_frames_min", "same_picture_frames"),
    ),
    Condition(
        name="runaway", detail=details.Runaway,
        explained_by=("over-bright",),
        thresholds=(
            "runaway_jitter_ratio", "runaway_rate_fraction", "runaway_match_fraction", "runaway_angle_deg",
            "runaway_creep_min", "runaway_steady_frames", "rate_wrong_fraction", "rate_wrong_sigmas",
            "rate_late_sigmas", "drift_soon_arcmin_h",
        ),
    ),
    Condition(name="eclipse", detail=details.Eclipse),
    Condition(
        name="wrong-place", detail=camera_details.WrongPlace,
        settle_s=600.0, thresholds=("sun_down_deg", "sun_down_frames"),
    ),
    Condition(name="mixed-cameras", detail=camera_details.MixedCameras),
    Condition(
        name="clock", detail=camera_details.CameraClock,
        thresholds=("clock_note_s", "clock_soon_s", "clock_frames"),
    ),
    Condition(name="clocks-differ", detail=camera_details.ClocksDiffer, explained_by=("clock",)),
    Condition(name="settings:tracking", detail=camera_details.LensSize),
    Condition(name="settings:lens", detail=camera_details.LensSize),
    Condition(name="lens", detail=camera_details.LensSize),
    Condition(
        name="moved", detail=details.Jumped,
        explained_by=("runaway", "over-bright"),
        thresholds=("moved_radius_fraction", "moved_steady_frames", "moved_clear_min"),
    ),
    Condition(
        name="drift-exit", detail=details.DriftExit,
        explained_by=("runaway", "no-frames"), settle_s=60.0, job="drift",
        thresholds=(*_LEADS, "drift_confirm_min"),
    ),
    Condition(name="axis-limit", detail=details.AxisLimit, job="axis-limit", thresholds=_LEADS),
    Condition(
        name="lost-disc", detail=details.LostDisc,
        explained_by=("over-bright", "runaway", "no-frames", "eclipse", "visit"),
        by_measurement=True,
        thresholds=("lost_soon_min", "lost_now_min", "lost_clear_frames"),
    ),
    Condition(
        name="unverified", detail=details.Unverified,
        explained_by=("over-bright", "runaway", "no-frames", "lost-disc", "drift-exit"),
        by_measurement=True, thresholds=("unverified_note_min", "unverified_soon_min"),
    ),
    Condition(
        name="covered-limb", detail=details.CoveredLimb,
        explained_by=("over-bright", "runaway", "no-frames", "eclipse"), settle_s=600.0,
        by_measurement=True,
        thresholds=(
            "covered_fraction", "covered_clear_fraction", "covered_steady_fraction", "covered_soon_min",
        ),
    ),
    Condition(
        name="soft-focus", detail=details.SoftFocus,
        explained_by=("over-bright", "runaway", "no-frames", "wrong-place"),
        settle_s=600.0, by_measurement=True,
        thresholds=(
            "focus_soon_ratio", "focus_soon_min", "focus_now_ratio", "focus_now_min", "focus_clear_ratio",
            "focus_seeing_arcsec",
        ),
    ),
    Condition(
        name="dimmed", detail=details.Dimmed,
        explained_by=("over-bright", "runaway", "no-frames", "eclipse", "wrong-place"),
        settle_s=600.0, by_measurement=True,
        thresholds=("dimmed_fraction", "dimmed_clear_fraction", "dimmed_ripple_fraction", "dimmed_soon_min"),
    ),
    Condition(name="storage", detail=camera_details.Storage, job="storage", thresholds=_SUPPLY),
    Condition(name="supply:camera-battery", detail=camera_details.Supply, job="battery", thresholds=_SUPPLY),
    Condition(
        name="supply:mount-battery", detail=camera_details.Supply, job="mount-battery", thresholds=_SUPPLY,
    ),
    Condition(name="supply:card", detail=camera_details.Supply, job="card", thresholds=_SUPPLY),
    Condition(name="supply:timer", detail=camera_details.Supply, job="timer", thresholds=_SUPPLY),
    Condition(name="before-sleep", detail=camera_details.BeforeSleep, said_on_visits=True),
)  # fmt: skip

SHARED_THRESHOLDS = frozenset(
    {
        "sun_clear_deg", "exposure_same_stops", "cloud_memory_min", "cloud_dim_fraction", "cloud_glow_level",
        "cloud_frames", "faint_level", "faint_loss_stops", "faint_below_deg",
    }
)  # fmt: skip
"""What is known of sky, cloud and exposure, for whichever condition asks."""

BY_NAME: Mapping[str, Condition] = MappingProxyType({one.name: one for one in CONDITIONS})
PLACE: Mapping[str, int] = MappingProxyType({one.name: place for place, one in enumerate(CONDITIONS)})
NAMES: tuple[str, ...] = tuple(dict.fromkeys(one.told_as for one in CONDITIONS))
"""As incidents have them, each once."""
DETAILS: Mapping[str, type[Detail]] = MappingProxyType({one.told_as: one.detail for one in CONDITIONS})
"""What incidents are told by, by the name that they have."""
SUPPLIES: Mapping[str, str] = MappingProxyType(
    {one.job: one.name.partition(":")[2] for one in CONDITIONS if one.told_as == "supply" and one.job}
)
"""What runs out, by the name of its job; what tells it apart in incidents."""


def decided_by(threshold: str) -> tuple[str, ...]:
    """Return the conditions that a threshold decides, as incidents have them."""
    return tuple(dict.fromkeys(one.told_as for one in CONDITIONS if threshold in one.thresholds))
