"""The report of the conversation's session, sentence by sentence, against what was made up for it.

Every sentence with a number is parsed: it is held against the truth, by another ephemeris where the sky is
concerned, or there is a reason why no truth exists for it. A sentence of neither kind fails.
"""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import cached_property
from itertools import groupby, pairwise

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time

from sentinel.core.records import MeasuredFrame
from sentinel.jobs.report.incidents import witnesses
from sentinel.jobs.report.limits import LIMITS
from sentinel.jobs.report.sentences import sentences
from sentinel.sky.arrays import Array
from tests.conversation import BEGIN, SETTINGS, Evening, lived
from tests.sky.by_astropy import quiet

RADIUS_ARCSEC = 959.63
"""Of the sun at 1 au (IAU 2015 resolution B3: 695,700 km)."""
EARTH_KM, MOON_KM, AU_KM = 6371.0, 384_400.0, 149_597_870.7


class Truth:
    """What was made up, and the sky over it."""

    def __init__(self, evening: Evening) -> None:
        self.evening, self.frames = evening, evening.frames
        self.found = [frame for frame in self.frames if frame.disc.found]
        self.whole = [frame for frame in self.found if frame.disc.limb_in_frame == 1.0]
        self.end = evening.now

    @cached_property
    def sky(self) -> dict[datetime, tuple[float, float]]:
        """Altitude as seen (deg) and distance from the place (au) of the sun at each picture, by astropy."""
        place = EarthLocation.from_geodetic(SETTINGS.site.longitude_deg, SETTINGS.site.latitude_deg)
        times = [frame.time_utc for frame in self.frames]
        with quiet():
            sun = get_sun(Time(times)).transform_to(AltAz(obstime=Time(times), location=place))
        seen = [one + lifted_deg(one) for one in sun.alt.deg]
        return dict(zip(times, zip(seen, sun.distance.au, strict=True), strict=True))

    @property
    def up(self) -> int:
        """In how many pictures the sun's middle is above the level."""
        return sum(altitude > 0 for altitude, _ in self.sky.values())

    def radii_arcsec(self, frames: list[MeasuredFrame]) -> Array:
        return np.array([RADIUS_ARCSEC / self.sky[frame.time_utc][1] for frame in frames])

    @property
    def forecasts(self) -> list[datetime]:
        """When forecasts were given: every ten minutes while the mount tracks, and at the battery's mark."""
        stood = self.evening.stopped_utc
        back = next(one.time_utc for one in reversed(self.evening.marks) if one.kind == "recentred")
        tens = [one.time_utc for one in self.frames if one.time_utc.minute % 10 == 0]
        marks = [one.time_utc for one in self.evening.marks if one.kind == "battery"]
        return [at for at in tens if not stood < at <= back] + marks


def lifted_deg(altitude_deg: float) -> float:
    """Return the refraction at a true altitude: Saemundsson 1986 (Meeus, Astronomical Algorithms, 16.4)."""
    return float(1.02 / 60 / np.tan(np.radians(altitude_deg + 10.3 / (altitude_deg + 5.11))))


def number(text: str) -> float:
    return float(text.replace(",", ""))


def minutes(text: str) -> float:
    """Return the minutes of `9 h 54 min`."""
    parts = re.findall(r"(\d+) (h|min|s)", text)
    return sum(int(one) * {"h": 60, "min": 1, "s": 1 / 60}[unit] for one, unit in parts)


def at(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"


# --- What is held against the truth


def pictures(  # noqa: PLR0917 - as the sentence has them
    t: Truth, there: str, expected: str, begin: str, end: str, took: str, every: str
) -> None:
    length = t.end - BEGIN
    assert (int(there), int(expected)) == (len(t.frames), length // timedelta(minutes=1))
    assert (begin, end) == (at(BEGIN + timedelta(minutes=1)), at(t.end))
    assert minutes(took) == length / timedelta(minutes=1) - 1
    assert int(every) == 60


def hours_of_sun(t: Truth, up: str) -> None:
    assert minutes(up) == pytest.approx(t.up, abs=2)


def shares(t: Truth, seen: str, whole: str) -> None:
    assert float(seen) == pytest.approx(100 * len(t.found) / t.up, abs=0.4)
    assert float(whole) == pytest.approx(100 * len(t.whole) / t.up, abs=0.4)


def longest(t: Truth, length: str, begin: str, end: str) -> None:
    runs = [list(some) for found, some in groupby(t.frames, key=lambda one: one.disc.found) if found]
    most = max(runs, key=len)
    assert minutes(length) == len(most) - 1
    assert (begin, end) == (at(most[0].time_utc), at(most[-1].time_utc))


def agreement(t: Truth, off: str, share: str) -> None:
    """How far off: see REASONS; but its share of the disc is of the sun's own width."""
    width = 2 * float(np.median(t.radii_arcsec(t.found)))
    assert float(share) == pytest.approx(100 * float(off) / width, abs=0.08)


def counted(t: Truth, there: str, expected: str, unreadable: str) -> None:
    assert int(there) == int(expected) == len(t.frames)
    assert int(unreadable) == sum(frame.error is not None for frame in t.frames)


def measured(t: Truth, found: str, unseen: str) -> None:
    assert int(found) == len(t.found)
    assert int(unseen) == pytest.approx(t.up - len(t.found), abs=2)


def up_and_seen(t: Truth, up: str, seen: str) -> None:
    hours_of_sun(t, up)
    assert float(seen) == pytest.approx(100 * len(t.found) / t.up, abs=0.4)


def beyond_px(t: Truth) -> dict[datetime, float]:
    return {one.time_utc: one.disc.x_px + one.disc.radius_px - 5999.5 for one in t.found}


def nearest(t: Truth, over: str, when: str) -> None:
    beyond = beyond_px(t)
    most = max(beyond, key=lambda time: beyond[time])
    assert float(over) == pytest.approx(beyond[most], abs=1)
    assert when == at(most)


def reached(t: Truth, when: str) -> None:
    first = min(time for time, px in beyond_px(t).items() if px > 0)
    # Between two pictures: the one before and that one.
    assert when in {at(first - timedelta(minutes=ago)) for ago in (0, 1)}


def reached_once(t: Truth) -> None:
    over = [px > 0 for px in beyond_px(t).values()]
    assert sum(now and not before for before, now in pairwise(over)) == 1
    assert min(time for time, px in beyond_px(t).items() if px > 0) > t.evening.stopped_utc


def none_passed(t: Truth) -> None:
    """Before the disc was put elsewhere it was to leave at sunrise; after that, never."""
    put = next(one.time_utc for one in t.evening.marks if one.kind == "recentred")
    assert put < t.evening.rises < t.end


def unhashed(t: Truth) -> None:
    assert not any(frame.sha256 for frame in t.frames)


def noticed(  # noqa: PLR0917 - as the sentence has them
    t: Truth, incidents: str, now: str, soon: str, note: str, messages: str, woken: str
) -> None:
    assert int(incidents) == sum(one.state == "opened" for one in t.evening.incidents)
    assert int(incidents) == int(now) + int(soon) + int(note)
    assert int(messages) == len(t.evening.alerts)
    first = [one for one in t.evening.alerts if one.kind in {"first", "repeat"}]
    assert int(woken) == sum(one.severity.value == "now" for one in first)


def centre(t: Truth, discs: str, left: str) -> None:
    """The angles: see REASONS. Left out is what was seen while the mount stood."""
    stood = t.evening.stopped_utc
    ran = [one for one in t.found if stood < one.time_utc <= stood + timedelta(minutes=19)]
    assert int(left) == pytest.approx(len(ran), abs=1)
    assert int(discs) + int(left) == len(t.found)


def fitted(t: Truth, unknowns: str, values: str, stretches: str) -> None:
    put = 1 + sum(one.kind == "recentred" for one in t.evening.marks)
    # The night between may part one in two.
    assert put <= int(stretches) <= put + 1
    assert int(unknowns) == 4 + 2 * int(stretches)
    assert len(t.found) - 6 <= number(values) / 2 <= len(t.found)


def radius(t: Truth, off: str, told_mm: str, implied_mm: str, discs: str) -> None:
    """The scatter: see REASONS."""
    camera, radii = SETTINGS.camera, t.radii_arcsec(t.whole)
    true_mm = 469.0 * camera.pixel_pitch_um / 1000 / np.tan(np.radians(float(np.median(radii)) / 3600))
    assert float(told_mm) == camera.focal_length_mm
    assert float(implied_mm) == pytest.approx(true_mm, abs=0.2)
    assert float(off) == pytest.approx(100 * (true_mm / camera.focal_length_mm - 1), abs=0.05)
    assert int(discs) == len(t.whole)


def flattening(t: Truth, share: str, altitude: str) -> None:
    """Bottom and top of the disc are lifted differently: by another formula than the program's."""
    lowest = min(t.whole, key=lambda one: t.sky[one.time_utc][0])
    seen_deg = t.sky[lowest.time_utc][0]
    assert float(altitude) == pytest.approx(seen_deg, abs=0.15)
    size = float(t.radii_arcsec([lowest])[0]) / 3600
    grid = np.linspace(-2.0, 3.0, 5001)
    true_deg = float(np.interp(float(altitude), [one + lifted_deg(one) for one in grid], grid))
    lost = lifted_deg(true_deg - size) - lifted_deg(true_deg + size)
    assert float(share) == pytest.approx(100 * lost / (2 * size), abs=2.5)


def constant(  # noqa: PLR0917 - as the sentence has them
    t: Truth, discs: str, took: str, grew: str, sigma: str, itself: str
) -> None:
    """The made-up disc is always as large: beside the sun's it grows as that shrinks."""
    high = [one for one in t.whole if t.sky[one.time_utc][0] >= 2.0]
    assert int(discs) == pytest.approx(len(high), abs=6)
    assert minutes(took) == (high[-1].time_utc - high[0].time_utc) / timedelta(minutes=1)
    radii = t.radii_arcsec(high)
    change = 100 * (radii[-1] / radii[0] - 1)
    assert float(itself) == pytest.approx(change, abs=3e-4)
    assert abs(float(grew) + change) <= 3 * float(sigma)


def would_stand_out(t: Truth, change: str) -> None:
    """More than what there was: the sun's own change, which the made-up disc does not make."""
    radii = t.radii_arcsec(t.whole)
    assert 100 * abs(radii[-1] / radii[0] - 1) < float(change) < 0.05


def distance(  # noqa: PLR0917 - as the sentence has them
    t: Truth, low: str, high: str, grew: str, sigma: str, moon: str, near: str, least: str
) -> None:
    altitudes = [t.sky[one.time_utc][0] for one in t.whole]
    assert float(low) == pytest.approx(2.0, abs=0.15)
    assert float(high) == pytest.approx(max(altitudes), abs=0.15)
    climbed = np.sin(np.radians(float(high))) - np.sin(np.radians(float(low)))
    assert float(moon) == pytest.approx(100 * EARTH_KM / MOON_KM * climbed, abs=0.02)
    assert float(near) == pytest.approx(100 * EARTH_KM / 10_000 * climbed, abs=1.5)
    # Beside the sun's the made-up disc grows by the sun's own change only.
    assert abs(float(grew)) <= 3 * float(sigma)
    assert 1e6 < number(least) < AU_KM * min(one for _, one in t.sky.values())


def focus(t: Truth, correlation: str, sigma: str) -> None:
    assert len({(one.disc.edge_width_px, one.disc.radius_px) for one in t.found}) == 1
    assert abs(float(correlation)) <= 3 * float(sigma)


def down(t: Truth, discs: str) -> None:
    assert int(discs) == sum(t.sky[one.time_utc][0] < -2 for one in t.found)


def clock(_t: Truth, offset: str) -> None:
    assert float(offset) == SETTINGS.camera.clock_offset_s


def forecasts(t: Truth, made: str) -> None:
    assert int(made) == len(t.forecasts)


def stayed(t: Truth, untested: str) -> None:
    """While the disc is in the frame nothing comes of a forecast but that it is put elsewhere, or set."""
    seen = {one.time_utc for one in t.found}
    assert int(untested) == pytest.approx(sum(one in seen for one in t.forecasts), abs=3)


def second(_t: Truth, seconds: str, arcsec: str) -> None:
    """The sky turns once a day."""
    assert seconds == "one second"
    assert int(arcsec) == 360 * 3600 / 86_400


DAY = r"(\d{4}-\d\d-\d\d \d\d:\d\d)"
SPAN = r"(\d[\d hmins]*)"
CHECKED: dict[str, Callable[..., None]] = {
    rf"(\d+) of (\d+) expected pictures were recorded from {DAY} to {DAY} UTC \({SPAN}\), one every (\d+) s, "
    r"without a gap\.": pictures,
    rf"The sun stood above the horizon line for {SPAN} of it\.": hours_of_sun,
    r"Its disc was found in the frame and measured for ([\d.]+) % of that time, with its whole rim inside "
    r"the frame for ([\d.]+) % of that time\.": shares,
    r"The longest stretch with no picture missing and the disc measured in every one lasted "
    rf"{SPAN}, from {DAY} to {DAY} UTC\.": longest,
    r"Where it was seen, the disc kept to the sun's computed track within (\d+) arcsec in the median, "
    r"([\d.]+) % of its width, and its radius to the computed one within [\d.]+ %, .*": agreement,
    r"Pictures: (\d+) of (\d+) expected; (\d+) unreadable": counted,
    r"Disc measured: in (\d+); sun up and not seen in (\d+)": measured,
    rf"Sun above the horizon line: {SPAN}, ([\d.]+) % recorded": up_and_seen,
    rf"Limb nearest to an edge: (\d+) px beyond the edge, {DAY}": nearest,
    rf"Limb reached the edge: once, {DAY}": reached,
    r"The limb reached the edge once, after the mount had stopped following the sun\.": reached_once,
    r"In none of them the median time passed with the disc still inside\.": none_passed,
    r"Chain of evidence: none: no picture was hashed": unhashed,
    r"Noticed: (\d+) incidents \((\d+) now, (\d+) soon, (\d+) note\); "
    r"(\d+) messages, (\d+) wake-ups": noticed,
    r"Centre against the computed track: median .* \(1-sigma\), in (\d+) discs; (\d+) discs left out, seen "
    r"while .*": centre,
    r"What the track was fitted with: (\d+) numbers for ([\d,]+) measured: axis, rate and roll once, and two "
    r"for where the camera pointed in each of (\d+) stretches": fitted,
    r"Radius against the sun's: ([+-][\d.]+) % in the mean by a lens of (\d+) mm \(one of ([\d.]+) mm would "
    r"account for it\), scatter .*, in (\d+) whole discs; .*": radius,
    r"Flattening by the air: ([\d.]+) % expected at ([\d.]+) degrees, the lowest whole disc": flattening,
    rf"Constant size: in (\d+) whole discs over {SPAN} the radius changed by ([+-][\d.]+) ± ([\d.]+) % "
    r"\(1-sigma\) beside the computed one, which itself changed by ([+-][\d.]+) %; "
    r"a single picture .*": constant,
    r"A steady change of ([\d.]+) % would have stood out \(95 %\)": would_stand_out,
    r"Distance by size: as it climbed from ([\d.]+) to ([\d.]+) degrees of altitude the disc grew by "
    r"([+-][\d.]+) ± ([\d.]+) % beside the sun's; one as far as the moon would have grown by ([\d.]+) %, one "
    r"10,000 km away by (\d+) %; by this the disc is at least ([\d,]+) km away \(95 %\)": distance,
    r"Size and focus: correlation of the radius with the width of the limb's edge ([+-][\d.]+) ± ([\d.]+), "
    r"both less a line in time: no more than chance": focus,
    rf"Hours of sun: {SPAN} above the horizon line by computation, ([\d.]+) % of them with the disc "
    r"measured": up_and_seen,
    r"Discs while the sun was down: (\d+)": down,
    r"Camera's clock less UTC: ([+-]?[\d.]+) s, as the settings say": clock,
    r"(\d+) forecasts were made\.": forecasts,
    r"After (\d+) forecasts the disc stayed inside until it was put elsewhere, was lost, or the session "
    r"ended: these show no exit to compare with\.": stayed,
    r"An error of the clock by (one second) moves the computed sun by (\d+) arcseconds .*": second,
}
REASONS = {
    r"From the whole session: axis .* off the pole, rate .* off the mean solar rate, camera rolled by .*\.": (
        "the made-up disc stands still where it is put, through the air as well: no mount carries it, and "
        "what is fitted to that is the mount that would look most alike"
    ),
}
"""For these no truth exists. So it is with parts of those above: how far the disc is off the track fitted to
it, and how its radius scatters beside a computed one that the air flattens, which the made-up one is not."""


@pytest.fixture(scope="module")
def truth() -> Truth:
    return Truth(lived())


@pytest.fixture(scope="module")
def told(truth: Truth) -> list[str]:
    """Every sentence of the report in which a number stands."""
    w = truth.evening.analysis()
    rooms = ("verdict", "forecast_lines", "mount_lines", "key_facts", "sun_facts")
    lines = [line for room in rooms for line in sentences(room, w)]
    texts = [*lines, *sentences("chain_lines", w.record, witnesses(w.record)), *LIMITS]
    every = [one for text in texts for one in re.split(r"(?<=\.)\s(?=[A-Z])", text)]
    return [one.strip() for one in every if re.search(r"\d|\b(once|twice|none)\b", one)]


def test_every_sentence_with_a_number_is_held_against_the_truth_or_has_none(told: list[str]) -> None:
    for sentence in told:
        known = [one for one in (*CHECKED, *REASONS) if re.fullmatch(one, sentence)]
        assert len(known) == 1, sentence


@pytest.mark.parametrize("pattern", list(CHECKED))
def test_the_sentence_says_what_was(truth: Truth, told: list[str], pattern: str) -> None:
    (groups,) = {found.groups() for one in told if (found := re.fullmatch(pattern, one))}
    CHECKED[pattern](truth, *groups)


@pytest.mark.parametrize("pattern", list(REASONS))
def test_what_has_no_truth_is_still_said(told: list[str], pattern: str) -> None:
    assert any(re.fullmatch(pattern, one) for one in told)
