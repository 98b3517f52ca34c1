"""From a trip and the settings to the plan: pure, no file is read and nothing is printed."""

from sentinel.chain.forecast.turning import turning_of
from sentinel.core.settings import Settings
from sentinel.jobs.plan import due, meridian, picture
from sentinel.jobs.plan.alignment import alignment, starts
from sentinel.jobs.plan.records import Plan, Trip
from sentinel.jobs.plan.sunlight import sunlight
from sentinel.sky import Sun


def plan_trip(settings: Settings, trip: Trip) -> Plan:
    """Return everything there is to know about a trip beforehand."""
    sun = Sun(settings.site)
    light = sunlight(sun, trip)
    begun = starts(settings, sun, trip)
    turning = turning_of(settings, sun, *trip.span_s)
    renewed = due.renewals(settings, trip, turning)
    axis = next((renewal for renewal in renewed if renewal.what == "axis-limit"), None)
    limits = due.hour_angle(settings, sun, trip)
    fixed = settings.mount.tracking == "none"
    return Plan(
        from_utc=trip.from_utc,
        to_utc=trip.to_utc,
        length_h=trip.length_s / 3600,
        sun=light,
        first=due.first_of_each(trip, light, renewed, limits),
        renewals=renewed,
        unwindings=due.unwindings(settings, trip, light.gaps, axis, turning),
        hour_angle=limits,
        meridian=() if fixed else meridian.passages(sun, trip),
        axis_altitude_deg=abs(settings.site.latitude_deg),
        picture=picture.picture_facts(settings, sun, trip, begun),
        pictures=due.pictures(settings, trip, light),
        alignment=alignment(settings, sun, trip, light, begun),
        tripod=picture.tripod(settings, sun, trip, begun) if fixed else None,
        left_out=tuple(_left_out(settings, trip)),
    )


def _left_out(settings: Settings, trip: Trip) -> list[str]:
    """Say what is not known and how to give it."""
    lines = []
    if trip.frame_px is None:
        lines.append(
            "The frame's size is not known: give --frame 6000x4000, or put one picture into frames.folder; "
            "it tells field, stops and alignment."
        )
    if trip.frame_bytes is None:
        lines.append(
            "What a picture takes on the card is not known: give --frame-mb 12.5, or put some into "
            "frames.folder."
        )
    if not settings.site.horizon:
        lines.append("The horizon is taken as flat, at 0 degrees: put ridges and roofs into site.horizon.")
    if not settings.supplies.last_s(settings.camera.interval_s):
        lines.append("No supplies are named: put batteries, card and timer into supplies.")
    return lines
