"""When the judge speaks: every threshold with its unit, default, range and meaning, and nowhere else."""

from pydantic import Field

from sentinel.core.section import Section


class Thresholds(Section):
    """When the judge speaks; flat, so that a tuned overlay replaces single numbers.

    Where a condition has two numbers of one kind, the one named `clear` ends it (it is the easier to meet).
    """

    # The edge and the axis: on top of `visit.travel_min`.
    lead_soon_min: float = Field(
        90.0,
        ge=0,
        description="the sun nears the edge, or the axis its limit: soon at the travel time plus this",
    )
    lead_now_min: float = Field(
        25.0,
        ge=0,
        description="the sun nears the edge, or the axis its limit: now at the travel time plus this",
    )
    lead_clear_min: float = Field(15.0, ge=0, description="this much beyond a lead before it is taken back")
    drift_confirm_min: float = Field(4.0, ge=0, description="how long forecasts agree before one is believed")

    # The mount.
    runaway_jitter_ratio: float = Field(
        5.0,
        gt=1,
        description="a step so many times the usual jitter between frames, and fast enough, is a runaway",
    )
    runaway_rate_fraction: float = Field(
        0.10, gt=0, lt=1, description="fast enough: so much of the drive's rate"
    )
    runaway_match_fraction: float = Field(
        0.03, gt=0, lt=0.5, description="how well a stop's or a reversal's speed must fit"
    )
    runaway_angle_deg: float = Field(
        15.0, gt=0, le=45, description="how well a stop's or a reversal's direction must fit"
    )
    runaway_creep_min: float = Field(
        8.0, gt=0, description="a disc that moves on evenly for so long is not being put elsewhere"
    )
    runaway_steady_frames: int = Field(3, ge=2, description="tracking again for so many frames: over")
    rate_wrong_fraction: float = Field(
        0.0012, gt=0, lt=0.5, description="the drive's rate is wrong if off by so much of the solar rate"
    )
    rate_wrong_sigmas: float = Field(
        2.2,
        gt=0,
        description="and by so many sigmas of the fit: at 2.2 the rate told has a chance of one in five left",
    )
    rate_late_sigmas: float = Field(
        1.4, gt=0, description="the same with two and a half hours of track and more"
    )
    drift_soon_arcmin_h: float = Field(
        2.0, ge=0, description="a drift that changed is worth a visit from here"
    )
    moved_radius_fraction: float = Field(0.5, gt=0, description="a jump worth a word, in radii of the disc")
    moved_steady_frames: int = Field(
        3, ge=2, description="a jump is told once so many steady frames have followed it"
    )
    moved_clear_min: float = Field(30.0, gt=0, description="a jump is forgotten after so long")

    # Nothing to see.
    sun_clear_deg: float = Field(
        1.0, ge=0, description="centre above the horizon line by so much counts as up"
    )
    lost_soon_min: float = Field(
        5.0, gt=0, description="no disc for so long, though nothing explains it: soon"
    )
    lost_now_min: float = Field(
        15.0, gt=0, description="no disc for so long, though nothing explains it: now"
    )
    lost_clear_frames: int = Field(2, ge=1, description="a lost disc seen again on so many frames: over")
    cloud_memory_min: float = Field(60.0, gt=0, description="cloud within so long explains a dark frame")
    cloud_dim_fraction: float = Field(0.06, gt=0, lt=1, description="dimmer at once by so much is cloud")
    cloud_glow_level: float = Field(0.0015, gt=0, lt=1, description="a frame without disc is lit, not black")
    cloud_frames: int = Field(2, ge=1, description="so many doubtful frames are cloud")
    faint_level: float = Field(0.02, ge=0, lt=1, description="a low disc darker may go out by itself")
    faint_loss_stops: float = Field(0.5, gt=0, description="if the air soon takes so much more of it")
    faint_below_deg: float = Field(6.0, ge=-5, description="low: the sun below this altitude")
    unverified_note_min: float = Field(60.0, gt=0, description="nothing seen for so long after cloud: a note")
    unverified_soon_min: float = Field(
        240.0, gt=0, description="nothing seen for so long after cloud: soon; it never wakes anybody"
    )

    # The limb, the light, the focus.
    covered_fraction: float = Field(
        0.15, gt=0, lt=1, description="so much of the limb in the frame is covered"
    )
    covered_clear_fraction: float = Field(
        0.08, ge=0, lt=1, description="less of the limb than this covered: over"
    )
    covered_steady_fraction: float = Field(
        0.05,
        gt=0,
        lt=1,
        description="a cover that changes less than this is ridge, cable or frost, not cloud",
    )
    covered_soon_min: float = Field(20.0, gt=0, description="covered for so long: soon")
    dimmed_fraction: float = Field(
        0.30, gt=0, lt=1, description="less light than at the same altitude before"
    )
    dimmed_clear_fraction: float = Field(
        0.20, gt=0, lt=1, description="less than this of the light missing: over"
    )
    dimmed_ripple_fraction: float = Field(
        0.03, gt=0, lt=1, description="light that changes more than this from frame to frame is cloud"
    )
    dimmed_soon_min: float = Field(45.0, gt=0, description="dimmer for so long: soon")
    focus_soon_ratio: float = Field(
        1.5, gt=1, description="soft: edge width over that at the same altitude before"
    )
    focus_soon_min: float = Field(20.0, gt=0, description="softer for so long: soon")
    focus_now_ratio: float = Field(2.0, gt=1, description="so soft that it cannot wait, by the same ratio")
    focus_now_min: float = Field(45.0, gt=0, description="as soft as that for so long under clear sky: now")
    focus_clear_ratio: float = Field(1.35, gt=1, description="soft no more: the same ratio below this")
    focus_seeing_arcsec: float = Field(4.0, ge=0, description="seeing at the zenith that is still no fault")
    bright_saturated_fraction: float = Field(
        0.33, gt=0, lt=1, description="so much of the frame at full scale: the filter may be off"
    )
    bright_jump_ratio: float = Field(
        1.6,
        gt=1,
        description="and a disc still seen is so many times as bright as before at the same exposure",
    )
    exposure_same_stops: float = Field(0.5, ge=0, description="exposures within this are the same")

    # The camera, the clock, what runs out.
    no_frames_intervals: float = Field(3.0, ge=1.5, description="no frame for so many intervals: now")
    no_frames_min: float = Field(3.0, gt=0, description="no frame for less than this is nothing yet")
    same_picture_frames: int = Field(
        4, ge=2, description="exactly the same picture so many times: the camera hangs"
    )
    clock_note_s: float = Field(2.0, gt=0, description="the camera's clock stepped by so much: a note")
    clock_soon_s: float = Field(30.0, gt=0, description="the camera's clock stepped by so much: soon")
    clock_frames: int = Field(3, ge=2, description="a step of the clock is believed on so many frames")
    supply_soon_h: float = Field(
        12.0, gt=0, description="battery, card, timer or disk last no longer than this: soon"
    )
    supply_now_h: float = Field(
        2.0, gt=0, description="battery, card, timer or disk last no longer than this: now"
    )

    # People at the camera, and a sky that is not the one it should be.
    visit_check_min: float = Field(
        10.0, gt=0, description="a visit that ended without a good picture for so long: now"
    )
    visit_default_min: float = Field(15.0, gt=0, description="a visit that says no length lasts so long")
    sun_down_deg: float = Field(
        -2.0, description="a disc seen with the sun below this: the wrong place or time"
    )
    sun_down_frames: int = Field(3, ge=1, description="a disc with the sun down counts on so many frames")
