"""One invented incident of each condition and severity, with the evidence that the judge gives."""

from typing import Any

from sentinel.chain.judge.conditions import DETAILS
from sentinel.chain.judge.details import RATE_CHANGES, RATE_OPEN, RATE_UNUSUAL
from sentinel.core.detail import Detail
from sentinel.core.records import Incident, IncidentState, Severity
from sentinel.core.times import parse_utc
from sentinel.service.journal.codec import detail_of


def incident(
    condition: str,
    severity: str,
    state: IncidentState = "opened",
    onset: str = "03:01",
    time: str = "03:03",
    **detail: Any,
) -> Incident:
    return Incident(
        time_utc=parse_utc(at(time)),
        condition=condition,
        state=state,
        severity=Severity(severity),
        onset_utc=parse_utc(at(onset)),
        frame="100CANON/IMG_0181.JPG".replace("CANON", "FERNL"),
        detail=told_by(condition, **detail),
    )


def told_by(condition: str, **values: Any) -> Detail:
    """What an incident of a condition is told by, as it is kept."""
    return detail_of(DETAILS.get(condition, Detail), values)


def at(clock: str) -> str:
    return f"2026-06-21T{clock}:00Z"


_RUN: dict[str, Any] = {
    "edge": "left",
    "touch_utc": at("03:07"),
    "gone_utc": at("03:09"),
    "minutes_left": 6.0,
    "pace_of_sky": 1.0,
}
_LOST: dict[str, Any] = {"lost_utc": at("03:09"), "off_deg": 2.1, "off_way": "west", "off_rate_deg_min": 0.23}
_LOOK: dict[str, Any] = {"last_seen_utc": at("02:39"), "azimuth_deg": 8.2, "altitude_deg": 4.3}
_JOBS = [{"job": "axis-limit", "due_utc": at("03:34")}, {"job": "card", "due_utc": at("05:10")}]

EVERY: dict[str, Incident] = {
    "runaway stopped now": incident("runaway", "now", kind="stopped", **_RUN),
    "runaway reversed now": incident("runaway", "now", kind="reversed", **_RUN),
    "runaway slipping now": incident("runaway", "now", kind="wrong-rate", **_RUN),
    "runaway slipping soon": incident("runaway", "soon", kind="wrong-rate", **_RUN),
    "runaway stopped lost now": incident(
        "runaway", "now", "changed", time="03:10", kind="stopped", **_RUN, **_LOST
    ),
    "runaway reversed lost now": incident(
        "runaway", "now", "changed", time="03:10", kind="reversed", **_RUN, **_LOST
    ),
    "runaway wrong rate soon": incident(
        "runaway", "soon", kind="wrong-rate", rate_ratio=1.002738, looks_like="sidereal", configured="solar",
        drift_arcmin_h=2.46,
    ),
    "runaway odd rate soon": incident(
        "runaway", "soon", kind="wrong-rate", rate_ratio=1.008, looks_like=RATE_UNUSUAL,
        configured="solar", drift_arcmin_h=7.2,
    ),
    "runaway changing rate soon": incident(
        "runaway", "soon", kind="wrong-rate", rate_ratio=0.991, looks_like=RATE_CHANGES,
        configured="solar", drift_arcmin_h=8.1,
    ),
    "runaway other rate soon": incident(
        "runaway", "soon", kind="wrong-rate", rate_ratio=1.0038, looks_like=RATE_OPEN,
        configured="solar", drift_arcmin_h=3.4,
    ),
    "runaway perhaps wrong rate soon": incident(
        "runaway", "soon", kind="wrong-rate", rate_ratio=1.002738, looks_like="sidereal", configured="solar",
        drift_arcmin_h=2.46, sure=False,
    ),
    "runaway solar rate note": incident(
        "runaway", "note", kind="wrong-rate", rate_ratio=1.0, looks_like="solar", configured="sidereal",
        drift_arcmin_h=0.0,
    ),
    **{
        f"runaway drift {cause} soon": incident(
            "runaway", "soon", kind="wrong-rate", cause=cause, changed_utc=at("01:20"), drift_arcmin_h=6.2,
            configured="solar",
        )
        for cause in ("open", "halts", "tips", "creeps")
    },
    "runaway wrong rate cleared": incident(
        "runaway", "soon", "cleared", kind="wrong-rate", rate_ratio=1.002738, looks_like="sidereal",
        configured="solar", drift_arcmin_h=2.46,
    ),
    "runaway cleared": incident("runaway", "now", "cleared", kind="stopped", **_RUN),
    "moved note": incident("moved", "note", shift_sun_widths=0.62, nearer_to_good_place=True),
    "moved soon": incident(
        "moved", "soon", shift_sun_widths=1.31, nearer_to_good_place=False, exit_early_after_utc=at("04:40")
    ),
    "moved cleared": incident("moved", "soon", "cleared", shift_sun_widths=1.31, nearer_to_good_place=False),
    "drift-exit over now": incident(
        "drift-exit", "now", edge="top", exit_early_utc=at("02:40"), exit_utc=at("02:46"), minutes_left=-17.0
    ),
    "drift-exit perhaps over now": incident(
        "drift-exit", "now", edge="top", exit_early_utc=at("02:46"), exit_utc=at("03:50"), minutes_left=-17.0
    ),
    "drift-exit soon": incident(
        "drift-exit", "soon", edge="top", exit_early_utc=at("04:34"), exit_utc=at("04:50"), minutes_left=91.0
    ),
    "drift-exit now": incident(
        "drift-exit", "now", edge="top", exit_early_utc=at("03:34"), exit_utc=at("03:50"), minutes_left=31.0
    ),
    "drift-exit placed now": incident(
        "drift-exit", "now", edge="top", exit_early_utc=at("03:34"), minutes_left=31.0, put_right_widths=0.52,
        put_up_widths=-1.04, put_holds_until_utc=at("15:10"), put_turn_utc=at("08:50"),
        put_turn_edge="bottom", put_turn_widths=0.9,
    ),
    "axis-limit note": incident(
        "axis-limit", "note", asked="unwound", limit_utc=at("09:00"), minutes_left=357.0
    ),
    "axis-limit soon": incident("axis-limit", "soon", limit_utc=at("04:34"), minutes_left=91.0),
    "axis-limit now": incident("axis-limit", "now", limit_utc=at("03:34"), minutes_left=31.0),
    "axis-limit past note": incident(
        "axis-limit", "note", asked="unwound", tracks_on=True, limit_utc=at("02:40"), minutes_left=-23.0
    ),
    "axis-limit perhaps unwound now": incident(
        "axis-limit", "now", perhaps_unwound=True, limit_utc=at("03:34"), minutes_left=31.0
    ),
    "axis-limit hour angle soon": incident(
        "axis-limit", "soon", limit="hour-angle", limit_utc=at("04:34"), minutes_left=91.0
    ),
    "axis-limit hour angle now": incident(
        "axis-limit", "now", limit="hour-angle", limit_utc=at("03:34"), minutes_left=31.0
    ),
    "runaway at its limit now": incident("runaway", "now", kind="stopped", at_axis_limit=True, **_RUN),
    "drift-exit placed later soon": incident(
        "drift-exit", "soon", edge="top", exit_early_utc=at("04:34"), minutes_left=91.0,
        put_right_widths=0.52, put_up_widths=-1.04, put_holds_until_utc=at("15:10"), put_at_utc=at("04:00"),
    ),
    "lost-disc soon": incident("lost-disc", "soon", likely=["cap-or-filter", "mount", "camera"], **_LOOK),
    "lost-disc now": incident("lost-disc", "now", likely=["cap-or-filter", "mount", "camera"], **_LOOK),
    "lost-disc left now": incident(
        "lost-disc", "now", likely=["left"], edge="left", left_utc=at("02:41"), **_LOOK
    ),
    "unverified note": incident("unverified", "note", last_seen_utc=at("02:00"), unseen_h=1.05),
    "unverified soon": incident("unverified", "soon", last_seen_utc=at("02:00"), unseen_h=4.02),
    "covered-limb note": incident("covered-limb", "note", covered_fraction=0.31, same_min=2.0),
    "covered-limb soon": incident("covered-limb", "soon", covered_fraction=0.31, same_min=20.0),
    "dimmed soon": incident("dimmed", "soon", light_fraction=0.61, held_min=45.0),
    "soft-focus soon": incident("soft-focus", "soon", ratio=1.62, held_min=20.0),
    "soft-focus now": incident("soft-focus", "now", ratio=2.31, held_min=66.0),
    "over-bright now": incident("over-bright", "now", onset="03:02", saturated_fraction=0.98),
    "over-bright cleared": incident("over-bright", "now", "cleared", onset="03:02", saturated_fraction=0.98),
    "no-frames now": incident(
        "no-frames", "now", last_utc=at("02:58"), missed_frames=4, mount_was_fine=True,
        alone_until_utc=at("07:40"),
    ),
    "no-frames unknown now": incident("no-frames", "now", missed_frames=4, damaged_files=3),
    "no-frames night now": incident(
        "no-frames", "now", last_utc=at("02:58"), missed_frames=4, sun_rises_utc=at("05:12")
    ),
    "no-frames polar night now": incident(
        "no-frames", "now", last_utc=at("02:58"), missed_frames=4, sun_stays_down=True
    ),
    "no-frames same now": incident("no-frames", "now", same_picture=True),
    "clock note": incident("clock", "note", step_s=-12.0, likely="drift-or-set-by-hand"),
    "clock soon": incident("clock", "soon", step_s=3600.0, likely="daylight-saving"),
    "clock offset soon": incident("clock", "soon", offset_s=-210.0, likely="set-wrong-by-minutes"),
    "clocks-differ note": incident(
        "clocks-differ", "note", neighbour="west", ahead_s=-64.2, sigma_s=11.3, pictures=118, km_s=3.8
    ),
    "clocks-differ which note": incident(
        "clocks-differ", "note", neighbour="west", ahead_s=64.2, sigma_s=11.3, pictures=118, km_s=3.8,
        wrong_by_s=15.0, late_s=4.0,
    ),
    "storage soon": incident("storage", "soon", hours_left=11.9, full_utc=at("14:55")),
    "storage now": incident("storage", "now", hours_left=1.98, full_utc=at("05:00")),
    "supply camera-battery soon": incident(
        "supply", "soon", supply="camera-battery", hours_left=11.9, empty_utc=at("14:55")
    ),
    "supply mount-battery now": incident(
        "supply", "now", supply="mount-battery", hours_left=1.98, empty_utc=at("05:00")
    ),
    "supply card now": incident("supply", "now", supply="card", hours_left=1.98, empty_utc=at("05:00")),
    "supply timer now": incident("supply", "now", supply="timer", hours_left=1.98, empty_utc=at("05:00")),
    "wrong-place soon": incident(
        "wrong-place", "soon", sun_altitude_deg=-31.4, likely=["longitude-sign", "time-zone"]
    ),
    "wrong-place axis soon": incident(
        "wrong-place", "soon", polar_altitude_error_deg=31.0, likely=["longitude-sign", "time-zone", "date"]
    ),
    "wrong-place light soon": incident(
        "wrong-place", "soon", contradicted_share=0.98, likely=["time-zone"], time_zone_hours=[-7, -2, 2]
    ),
    "wrong-place asked soon": incident(
        "wrong-place", "soon", contradicted_share=0.86, likely=["longitude-sign", "time-zone"],
        time_zone_hours=[-1],
    ),
    "settings tracking soon": incident("settings", "soon", what="tracking"),
    "settings lens soon": incident(
        "settings", "soon", what="lens", size_ratio=1.1, implied_focal_length_mm=440.0,
        implied_pixel_pitch_um=3.56,
    ),
    "lens soon": incident("lens", "soon", what="lens-changed", size_ratio=1.4, focal_length_mm=560.0),
    "lost-disc cloud gone now": incident(
        "lost-disc", "now", last_seen_utc=at("01:20"), cloud_gone_utc=at("02:44"), azimuth_deg=62.0,
        altitude_deg=12.0, likely=["mount", "cap-or-filter"],
    ),
    "lost-disc since the night now": incident(
        "lost-disc", "now", last_seen_utc=at("19:20"), up_since_utc=at("02:44"), azimuth_deg=62.0,
        altitude_deg=12.0, likely=["mount", "cap-or-filter"],
    ),
    "mixed-cameras note": incident("mixed-cameras", "note", other="Fernlicht F2", other_size_px=[4000, 3000]),
    "eclipse note": incident(
        "eclipse", "note", covered_diameter_fraction=0.62, greatest_utc=at("04:10"), ends_utc=at("05:05")
    ),
    "visit note": incident("visit", "note", from_utc=at("03:01"), until_utc=at("03:16")),
    "visit good note": incident("visit", "note", "changed", good=True, alone_until_utc=at("08:40")),
    "visit good unmarked note": incident(
        "visit", "note", "changed", good=True, alone_until_utc=at("08:40"), ends="axis-limit",
        unmarked=("unwound", "battery"),
    ),
    "visit good short note": incident(
        "visit", "note", "changed", time="03:26", good=True, alone_until_utc=at("03:31"), stay=True
    ),
    "visit good overdue note": incident(
        "visit", "note", "changed", time="03:26", good=True, alone_until_utc=at("03:20"), stay=True,
        ends="drift"
    ),
    "visit bad now": incident(
        "visit", "now", "changed", time="03:26", good=False, until_utc=at("03:16"), waited_min=10.0
    ),
    "visit bad soon": incident(
        "visit", "soon", "changed", time="03:26", good=False, until_utc=at("03:16"), waited_min=10.0,
        cloud=True,
    ),
    "before-sleep note": incident("before-sleep", "note", sleep_until_utc=at("07:00"), jobs=_JOBS),
    "before-sleep overdue note": incident(
        "before-sleep", "note", sleep_until_utc=at("07:00"),
        jobs=[{"job": "drift", "due_utc": at("02:54")}],
    ),
    "before-sleep nothing note": incident("before-sleep", "note", sleep_until_utc=at("07:00"), jobs=[]),
}  # fmt: skip
