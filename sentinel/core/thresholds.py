"""When the judge speaks: every threshold with its unit, default, range and meaning, and nowhere else.

What tuning may try in place of one stands with it. Where there are no such steps it is left alone: the filter
alarm (`bright_*`); all by which cloud is known (`cloud_*`, `faint_*`, the `clear` fractions), since cloud
excuses glare; `sun_*`, on which the forecasts stand; and what is a wish rather than a finding (`visit_*`).
"""

from typing import Any

from sentinel.core.section import Section, setting

_EASIER = (1.4, 2.0, 0.7, 0.5)
_STRICTER = (0.7, 1.4, 0.5, 2.0)


def _limit(
    default: float,
    meaning: str,
    *,
    tried: tuple[float, ...] = (),
    floor: float = 0.0,
    at_most: str = "",
    **limits: float,
) -> Any:
    """Define a threshold.

    `tried`: how many times as large tuning tries to make it, the nearest first.
    `floor`: what these factors leave out: a ratio of 1.5 is half above a floor of 1.
    `at_most`: the threshold beyond which this one may not grow.
    """
    tuning: dict[str, Any] = {"factors": tried, "floor": floor, "at_most": at_most}
    return setting(default, meaning, json_schema_extra=tuning, **limits)


class Thresholds(Section):
    """When the judge speaks; flat, so that a tuned overlay replaces single numbers.

    Where a condition has two numbers of one kind, the one named `clear` ends it (it is the easier to meet).
    """

    # fmt: off

    # The edge and the axis: on top of `visit.travel_min`.
    lead_soon_min: float = _limit(90.0,
        "the sun nears the edge, or the axis its limit: soon at the travel time plus this", ge=0,
        tried=_STRICTER)
    lead_now_min: float = _limit(25.0,
        "the sun nears the edge, or the axis its limit: now at the travel time plus this", ge=0,
        tried=_STRICTER, at_most="lead_soon_min")
    lead_clear_min: float = _limit(15.0, "this much beyond a lead before it is taken back", ge=0,
        tried=(2.0, 0.5))
    drift_confirm_min: float = _limit(4.0, "how long forecasts agree before one is believed", ge=0,
        tried=(2.0, 4.0, 0.5))

    # The mount.
    runaway_jitter_ratio: float = _limit(5.0,
        "a step so many times the usual jitter between frames, and fast enough, is a runaway", gt=1,
        tried=(1.3, 1.6, 0.8, 0.6))
    runaway_rate_fraction: float = _limit(0.1, "fast enough: so much of the drive's rate", gt=0, lt=1,
        tried=_EASIER)
    runaway_match_fraction: float = _limit(0.03, "how well a stop's or a reversal's speed must fit", gt=0,
        lt=0.5, tried=(0.7, 1.4, 0.5))
    runaway_angle_deg: float = _limit(15.0, "how well a stop's or a reversal's direction must fit", gt=0,
        le=45, tried=(0.7, 1.4, 0.5))
    runaway_creep_min: float = _limit(8.0,
        "a disc that moves on evenly for so long is not being put elsewhere", gt=0, tried=(1.5, 0.7, 2.0))
    runaway_steady_frames: int = _limit(3, "tracking again for so many frames: over", ge=2)
    rate_wrong_fraction: float = _limit(0.0012,
        "the drive's rate is wrong if off by so much of the solar rate", gt=0, lt=0.5, tried=(1.5, 0.7, 2.0))
    rate_wrong_sigmas: float = _limit(2.2,
        "and by so many sigmas of the fit: at 2.2 the rate told has a chance of one in five left", gt=0,
        tried=(1.3, 0.8, 1.6))
    rate_late_sigmas: float = _limit(1.4, "the same with two and a half hours of track and more", gt=0)
    drift_soon_arcmin_h: float = _limit(2.0, "a drift that changed is worth a visit from here", ge=0)
    moved_radius_fraction: float = _limit(0.5, "a jump worth a word, in radii of the disc", gt=0)
    moved_steady_frames: int = _limit(3, "a jump is told once so many steady frames have followed it", ge=2)
    moved_clear_min: float = _limit(30.0, "a jump is forgotten after so long", gt=0)

    # Nothing to see.
    sun_clear_deg: float = _limit(1.0, "centre above the horizon line by so much counts as up", ge=0)
    lost_soon_min: float = _limit(5.0, "no disc for so long, though nothing explains it: soon", gt=0,
        tried=_EASIER, at_most="lost_now_min")
    lost_now_min: float = _limit(15.0, "no disc for so long, though nothing explains it: now", gt=0,
        tried=(1.35, 2.0, 0.65, 3.0))
    lost_clear_frames: int = _limit(2, "a lost disc seen again on so many frames: over", ge=1)
    cloud_memory_min: float = _limit(60.0, "cloud within so long explains a dark frame", gt=0)
    cloud_dim_fraction: float = _limit(0.06, "dimmer at once by so much is cloud", gt=0, lt=1)
    cloud_glow_level: float = _limit(0.0015, "a frame without disc is lit, not black", gt=0, lt=1)
    cloud_frames: int = _limit(2, "so many doubtful frames are cloud", ge=1)
    faint_level: float = _limit(0.02, "a low disc darker may go out by itself", ge=0, lt=1)
    faint_loss_stops: float = _limit(0.5, "if the air soon takes so much more of it", gt=0)
    faint_below_deg: float = _limit(6.0, "low: the sun below this altitude", ge=-5)
    unverified_note_min: float = _limit(60.0, "nothing seen for so long after cloud: a note", gt=0,
        at_most="unverified_soon_min")
    unverified_soon_min: float = _limit(240.0,
        "nothing seen for so long after cloud: soon; it never wakes anybody", gt=0, tried=(1.5, 0.7))

    # The limb, the light, the focus.
    covered_fraction: float = _limit(0.15, "so much of the limb in the frame is covered", gt=0, lt=1,
        tried=(1.5, 2.0, 0.7))
    covered_clear_fraction: float = _limit(0.08, "less of the limb than this covered: over", ge=0, lt=1,
        at_most="covered_fraction")
    covered_steady_fraction: float = _limit(0.05,
        "a cover that changes less than this is ridge, cable or frost, not cloud", gt=0, lt=1)
    covered_soon_min: float = _limit(20.0, "covered for so long: soon", gt=0, tried=_EASIER)
    dimmed_fraction: float = _limit(0.3, "less light than at the same altitude before", gt=0, lt=1,
        tried=(1.2, 1.4, 0.85))
    dimmed_clear_fraction: float = _limit(0.2, "less than this of the light missing: over", gt=0, lt=1,
        at_most="dimmed_fraction")
    dimmed_ripple_fraction: float = _limit(0.03,
        "light that changes more than this from frame to frame is cloud", gt=0, lt=1)
    dimmed_soon_min: float = _limit(45.0, "dimmer for so long: soon", gt=0, tried=_EASIER)
    focus_soon_ratio: float = _limit(1.5, "soft: edge width over that at the same altitude before", gt=1,
        tried=(1.3, 1.6, 0.8), floor=1.0, at_most="focus_now_ratio")
    focus_soon_min: float = _limit(20.0, "softer for so long: soon", gt=0, tried=_EASIER,
        at_most="focus_now_min")
    focus_now_ratio: float = _limit(2.0, "so soft that it cannot wait, by the same ratio", gt=1,
        tried=(1.25, 1.5, 0.8), floor=1.0)
    focus_now_min: float = _limit(45.0, "as soft as that for so long under clear sky: now", gt=0,
        tried=_EASIER)
    focus_clear_ratio: float = _limit(1.35, "soft no more: the same ratio below this", gt=1,
        at_most="focus_soon_ratio")
    focus_seeing_arcsec: float = _limit(4.0, "seeing at the zenith that is still no fault", ge=0)
    bright_saturated_fraction: float = _limit(0.33,
        "so much of the frame at full scale: the filter may be off", gt=0, lt=1)
    bright_jump_ratio: float = _limit(1.6,
        "and a disc still seen is so many times as bright as before at the same exposure", gt=1)
    exposure_same_stops: float = _limit(0.5, "exposures within this are the same", ge=0)

    # The camera, the clock, what runs out.
    no_frames_intervals: float = _limit(3.0, "no frame for so many intervals: now", ge=1.5,
        tried=(1.35, 2.0, 0.75))
    no_frames_min: float = _limit(3.0, "no frame for less than this is nothing yet", gt=0,
        tried=(1.4, 2.0, 3.0, 0.7))
    same_picture_frames: int = _limit(4, "exactly the same picture so many times: the camera hangs", ge=2)
    clock_note_s: float = _limit(2.0, "the camera's clock stepped by so much: a note", gt=0)
    clock_soon_s: float = _limit(30.0, "the camera's clock stepped by so much: soon", gt=0)
    clock_frames: int = _limit(3, "a step of the clock is believed on so many frames", ge=2)
    supply_soon_h: float = _limit(12.0, "battery, card, timer or disk last no longer than this: soon", gt=0,
        tried=(0.7, 0.5, 1.5))
    supply_now_h: float = _limit(2.0, "battery, card, timer or disk last no longer than this: now", gt=0,
        tried=(0.7, 0.5, 1.5), at_most="supply_soon_h")

    # People at the camera, and a sky that is not the one it should be.
    visit_check_min: float = _limit(10.0, "a visit that ended without a good picture for so long: now", gt=0)
    visit_default_min: float = _limit(15.0, "a visit that says no length lasts so long", gt=0)
    sun_down_deg: float = _limit(-2.0, "a disc seen with the sun below this: the wrong place or time")
    sun_down_frames: int = _limit(3, "a disc with the sun down counts on so many frames", ge=1)
