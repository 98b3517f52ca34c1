"""The rows of `changed_worlds`: a kind of session each, and what has to be said of it."""

from collections.abc import Callable
from dataclasses import dataclass

from tests.worlds import changes, slow_changes
from tests.worlds.world import World


@dataclass(frozen=True)
class Row:
    """One kind of session."""

    make: Callable[[int], World]
    told: str = ""
    """Pattern of what has to be said (`condition severity message`, in lower case); empty: nothing."""
    within_min: float = 0.0
    within_frames: int = 0
    """So many more frames."""
    wrong: str = ""
    """Pattern of what must not be said after the change."""
    onset: bool = False
    """Whether the beginning that is told is to be the true one."""
    asks: Callable[[World], bool] = lambda world: True  # noqa: ARG005
    """Whether there is anything to be said in a session of the kind."""
    live_history: bool = False
    """The frames before the change lie in the folder when the watch begins."""


SETTINGS = r"setting|latitude|longitude|hemisphere|time zone|\bsite\b|clock"
LATITUDES = (45, 60, 70, 80, 85)
ROWS: dict[str, Row] = {
    "normal": Row(changes.normal),
    **{f"lat{s * at:+d}": Row(changes.at_latitude(float(s * at))) for at in LATITUDES for s in (1, -1)},
    "long": Row(changes.long_session),
    "weather": Row(changes.weathered),
    "slip": Row(changes.slip, told=r"runaway", within_min=20),
    "lunar5": Row(changes.lunar_slow, told=r"runaway", within_min=120),
    "switched": Row(changes.switched, told=r"runaway", within_min=45, wrong=r"as configured again"),
    "cold": Row(changes.cold, told=r"runaway|drift", within_min=240),
    "screw": Row(changes.screw, told=r"runaway|drift", within_min=120),
    "sink": Row(
        changes.sink,
        told=r"runaway|drift|axis",
        within_min=300,
        wrong=r"set the drive|rate, not|tripod is firm",
        asks=lambda world: world.notes["deg_h"] >= 0.1,
    ),
    "warming": Row(slow_changes.warming, told=r"runaway|drift", within_min=240),
    "settling": Row(slow_changes.settling, wrong=r"set the drive"),
    "clamp": Row(
        slow_changes.clamp_creeps,
        told=r"runaway|drift|axis",
        within_min=240,
        asks=lambda world: world.notes["deg_h"] >= 0.05,
    ),
    "loudgear": Row(slow_changes.loud_gear, wrong=r"sidereal|lunar"),
    "halts": Row(
        slow_changes.drive_halts, told=r"halts", within_min=15, wrong=r"sidereal|lunar|set the drive"
    ),
    "gusts": Row(slow_changes.night_gusts, wrong=r"sidereal|lunar|set the drive"),
    "stop": Row(changes.stop, told=r"^runaway now", within_frames=3, onset=True),
    "reverse": Row(changes.reverse, told=r"^(runaway|lost-disc) now", within_frames=3, onset=True),
    "slowback": Row(changes.slow_reverse, told=r"^runaway now", within_frames=4, onset=True),
    "stopcloud": Row(changes.stop_under_cloud, told=r"^\S+ now", within_min=30),
    "stoprate": Row(changes.stop_under_wrong_rate, told=r"^runaway now", within_frames=3, onset=True),
    "pause": Row(changes.pause),
    "knock": Row(changes.knock, wrong=r"sidereal|lunar|set the drive"),
    "loadslips": Row(changes.load_slips, wrong=r"sidereal|lunar|set the drive"),
    "filter": Row(
        changes.filter_slips,
        told=r"^over-bright now",
        within_frames=3,
        wrong=r"frost on the filter|on the filter",
    ),
    "smoke": Row(changes.smoke, told=r"^dimmed", within_min=90),
    "sunset": Row(changes.sunset, wrong=r"looks like cloud|ridge, cable|frost on the filter"),
    "ridge": Row(changes.unknown_ridge, wrong=r"frost on the filter"),
    "recentred": Row(changes.recentred, wrong=r"drift (has )?changed|sidereal|lunar|rate"),
    "lens": Row(changes.lens_swapped, told=r"lens|focal", within_frames=8, wrong=r"sidereal|lunar"),
    "flip": Row(changes.flipped, wrong=r"sidereal|lunar|set the drive"),
    "turned": Row(changes.camera_turned, wrong=r"sidereal|lunar|set the drive"),
    "backlash": Row(changes.backlash, wrong=r"^\S+ now"),
    "hemisphere": Row(changes.wrong_hemisphere, told=SETTINGS, within_min=120),
    "longitude": Row(changes.wrong_longitude, told=SETTINGS, within_min=120),
    "zone": Row(changes.wrong_zone, told=SETTINGS, within_min=180),
    "bothsigns": Row(changes.wrong_both_signs, told=SETTINGS, within_min=120),
    "halfday": Row(changes.wrong_half_day, told=SETTINGS, within_min=180),
    "month": Row(changes.wrong_month, told=SETTINGS, within_min=180),
    "tendeg": Row(changes.wrong_latitude, told=SETTINGS, within_min=180),
    "none": Row(changes.told_none, told=r"^runaway now|stopped", within_frames=3, onset=True),
    "focal": Row(changes.wrong_focal, told=r"focal|lens|pitch", within_min=30),
    "pitch": Row(changes.wrong_pitch, told=r"focal|lens|pitch", within_min=60),
    "missing": Row(changes.frames_missing),
    "bursts": Row(changes.bursts),
    "brackets": Row(changes.brackets, wrong=r"offset by|over-bright"),
    "slipcloud": Row(changes.slip_under_cloud, told=r"^\S+ now", within_min=60),
    "visitrate": Row(changes.rate_touched_on_a_visit, told=r"runaway", within_min=60),
    "nightstop": Row(changes.stop_at_night, told=r"^\S+ now", within_min=30),
    "history": Row(changes.history, live_history=True),
}
