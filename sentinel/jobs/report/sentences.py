"""The report's sentences and figures: what the page says in words. Pure."""

from collections.abc import Iterable
from datetime import timedelta
from itertools import pairwise
from math import isfinite

import numpy as np

from sentinel.chain.notify.counting import counts_words
from sentinel.core.times import from_utc_s
from sentinel.core.words import count, how_often, many, minute, signed, span
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.constancy import constancy_facts
from sentinel.jobs.report.forecast_checks import CLAIMED_SHARE, CheckedForecast, Skill, skill_of
from sentinel.jobs.report.incidents import witnesses
from sentinel.jobs.report.record import Record

STEP_S = 1.0
"""A change of the camera's clock that is worth a word."""

Fact = tuple[str, str]
"""A name and what there is to say."""


def percent(share: float) -> str:
    """Return a share, never rounded up to the whole."""
    if not share > 0:
        return "none"
    shown = f"{np.floor(share * 1000) / 10:.1f} %"
    return "all" if share >= 0.99995 else shown


def verdict(w: Analysis) -> list[str]:
    """Return the two or three sentences that the report begins with."""
    s, share = w.summary, w.share
    every = f", one every {s.interval_s:.3g} s" if s.interval_s else ""
    gaps = "without a gap" if not s.gaps else _gap_words(w)
    lines = [
        (
            f"{count(s.frames)} of {many(s.expected, 'expected picture')} {_was(s.frames)} recorded from "
            f"{minute(s.start_utc)} to {minute(s.end_utc)} UTC ({span(s.end_utc - s.start_utc)}){every}, "
            f"{gaps}."
        )
    ]
    if w.silent_since_utc is not None:
        waited = span(w.record.until_utc - w.silent_since_utc)
        lines.append(f"After that no picture came, though the watch went on for {waited}.")
    if not isfinite(share.verified):
        # One moment has no share of time, whether the sun is up or down.
        if not (w.columns.above_deg >= 0).any():
            lines.append("By computation the sun never stood above the horizon line in this time.")
        return [*lines, *_odd(w)]
    lines.append(
        f"The sun stood above the horizon line for {span(timedelta(hours=share.up_h))} of it. Its disc was "
        f"found in the frame and measured for {_of_time(share.verified)}, with its whole rim inside the "
        f"frame for {_of_time(share.whole)}."
    )
    if share.longest is not None:
        lines.append(
            "The longest stretch with no picture missing and the disc measured in every one lasted "
            f"{span(share.longest.length)}, from {minute(share.longest.from_utc)} to "
            f"{minute(share.longest.to_utc)} UTC."
        )
    return [*lines, *_agreement(w), *_odd(w)]


def _agreement(w: Analysis) -> list[str]:
    """Return how well what was seen agrees with the sun as computed."""
    off = w.track.off_arcsec[w.track.used]
    if not off.size or w.sizes is None:
        return []
    width_arcsec = 2 * float(np.median(w.columns.sun_radius_arcsec))
    line = (
        f"Where it was seen, the disc kept to the sun's computed track within {np.median(off):.0f} arcsec "
        f"in the median, {100 * np.median(off) / width_arcsec:.1f} % of its width, and its radius to the "
        f"computed one within {w.sizes.half:.2f} %, once the lens's true focal length is allowed for."
    )
    return [line]


def _of_time(share: float) -> str:
    return f"{percent(share)} of that time"


def _gap_words(w: Analysis) -> str:
    gaps = w.summary.gaps
    longest = max(gaps, key=lambda gap: gap.length)
    missing = span(sum((gap.length for gap in gaps), timedelta(0)))
    if len(gaps) == 1:
        return f"with one gap, {span(longest.length)} from {minute(longest.from_utc)}"
    return (
        f"with {len(gaps)} gaps that add up to {missing}, the longest {span(longest.length)} from "
        f"{minute(longest.from_utc)}"
    )


def _odd(w: Analysis) -> list[str]:
    lines = []
    down, strays = _seen_while_down(w), len(w.record.strays)
    if down:
        lines.append(
            f"In {many(down, 'picture')} a disc was measured while, by the settings, the sun was well below "
            "the horizon: latitude, longitude, date or the camera's clock must be wrong, and with it all "
            "that is computed here."
        )
    if strays:
        lines.append(
            f"Left out: {many(strays, 'picture')} whose date is far from that of all the others (see Doubts)."
        )
    return lines


def _seen_while_down(w: Analysis) -> int:
    """Return in how many pictures there is a disc though, by the settings, the sun was well down."""
    down = w.columns.altitude_deg < w.record.settings.thresholds.sun_down_deg
    return int((w.columns.found & down).sum())


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def key_facts(w: Analysis) -> list[Fact]:
    """Return the figures under the verdict."""
    s, c = w.summary, w.columns
    unseen = int((~c.found & (c.above_deg >= 0)).sum())
    nearest = "never measured"
    if s.nearest_edge_px is not None and s.nearest_utc is not None:
        side = "inside" if s.nearest_edge_px >= 0 else "beyond"
        nearest = f"{abs(s.nearest_edge_px):.0f} px {side} the edge, {minute(s.nearest_utc)}"
    touched = how_often(len(w.exits))
    if w.exits:
        touched += f"{', first' if len(w.exits) > 1 else ','} {minute(from_utc_s(w.exits[0].utc_s))}"
    up = span(timedelta(hours=w.share.up_h))
    return [
        ("Pictures", f"{count(s.frames)} of {count(s.expected)} expected; {s.unreadable} unreadable"),
        ("Disc measured", f"in {count(s.discs)}; sun up and not seen in {count(unseen)}"),
        ("Sun above the horizon line", f"{up}, {percent(w.share.verified)} recorded"),
        ("Limb nearest to an edge", nearest),
        ("Limb reached the edge", touched),
        ("Noticed", counts_words(s.counts)),
        ("Chain of evidence", _chain_fact(w)),
    ]


def _chain_fact(w: Analysis) -> str:
    chain, hashed = w.record.chain, len(w.record.links)
    return f"{chain[:16]}… over {many(hashed, 'picture')}" if chain else "none: no picture was hashed"


def sun_facts(w: Analysis) -> list[Fact]:
    """Return computed against measured: what shows that it is the sun."""
    facts = [*_place_facts(w), *_radius_facts(w), *constancy_facts(w.constancy)]
    up, seen = span(timedelta(hours=w.share.up_h)), percent(w.share.verified)
    facts += [
        (
            "Hours of sun",
            f"{up} above the horizon line by computation, {seen} of them with the disc measured",
        ),
        ("Discs while the sun was down", count(_seen_while_down(w))),
    ]
    return [*facts, *_clock_facts(w)]


def _place_facts(w: Analysis) -> list[Fact]:
    e = w.track
    used = e.used
    if not used.any():
        return [("Centre", "too few discs to fit the mount")]
    off, xy = e.off_arcsec[used], e.residual_px[used] * e.scale_arcsec_px
    left = int((w.columns.found & ~used).sum())
    alignments = "once" if len(e.mounts) == 1 else f"for each of {len(e.mounts)} alignments"
    parts = sum(len(mount.numbers) for mount in e.mounts)
    stretches = f"each of {many(parts, 'stretch', 'stretches')}" if parts > 1 else "the one stretch"
    unknowns = sum(4 + 2 * len(mount.numbers) for mount in e.mounts)
    astray = (
        f"; {many(left, 'disc')} left out, seen while the mount did not follow or too little of the limb "
        "was seen"
        if left
        else ""
    )
    return [
        (
            "Centre against the computed track",
            (
                f"median {np.median(off):.1f} arcsec, 95 % within {np.quantile(off, 0.95):.1f}; scatter "
                f"{xy[:, 0].std():.1f} across and {xy[:, 1].std():.1f} up and down (1-sigma), in "
                f"{count(len(off))} discs{astray}"
            ),
        ),
        (
            "What the track was fitted with",
            (
                f"{unknowns} numbers for {count(2 * len(off))} measured: axis, rate and roll {alignments}, "
                f"and two for where the camera pointed in {stretches}"
            ),
        ),
    ]


def _radius_facts(w: Analysis) -> list[Fact]:
    z = w.sizes
    if z is None:
        return [("Radius", "no disc was seen whole")]
    camera = w.record.settings.camera
    implied = camera.focal_length_mm * (1 + z.mean / 100)
    return [
        (
            "Radius against the sun's",
            (
                f"{signed(z.mean, 2)} % in the mean by a lens of {camera.focal_length_mm:g} mm (one of "
                f"{implied:.1f} mm would account for it), scatter {z.scatter:.3f} % (1-sigma), half of them "
                f"within {z.half:.3f} %, in {many(z.frames, 'whole disc')}; high sun against low sun "
                f"{signed(z.drift, 3)} %"
            ),
        ),
        (
            "Flattening by the air",
            (
                f"{100 * (1 - z.flattening_there):.2f} % expected at {z.lowest_deg:.1f} degrees, the lowest "
                "whole disc"
            ),
        ),
    ]


def _clock_facts(w: Analysis) -> list[Fact]:
    offsets = [s.camera_offset_s for s in w.record.surroundings if s.camera_offset_s is not None]
    told = w.record.settings.camera.clock_offset_s
    clock = f"{signed(told, 1)} s, as the settings say" if told != "auto" else "to be found from arrivals"
    if offsets:
        steps = sum(abs(b - a) > STEP_S for a, b in pairwise(offsets))
        clock = f"{min(offsets):+.1f} to {max(offsets):+.1f} s as used; {many(steps, 'change')} of over 1 s"
    facts = [("Camera's clock less UTC", clock)]
    waits = [
        (f.arrived_utc - f.time_utc).total_seconds() for f in w.record.frames if f.arrived_utc is not None
    ]
    if waits:
        middle, late = np.quantile(waits, [0.5, 0.95])
        arrived = f"median {middle:.1f} s, 95 % within {late:.0f} s, by the computer's own clock"
        facts.append(("Arrival after exposure", arrived))
    heard = [s.clock_synchronised for s in w.record.surroundings if s.clock_synchronised is not None]
    if heard:
        facts.append(("Computer's clock", f"synchronised in {sum(heard)} of {len(heard)} readings"))
    return facts


def forecast_lines(w: Analysis) -> list[str]:
    """Return the straight statement of how good the forecasts were."""
    if not w.record.forecasts:
        return ["No forecast was made."]
    if not w.checked:
        return ["No forecast could say when the limb reaches an edge: no disc could be believed."]
    steady = [j for j in w.checked if not j.ran_away]
    lines = [
        f"{many(len(w.checked), 'forecast')} {_was(len(w.checked))} made. {_exit_words(w)}",
        _tested_words(steady, "While the mount followed the sun"),
    ]
    astray = [j for j in w.checked if j.ran_away]
    if any(e.ran_away for e in w.exits):
        lines.append(
            "A forecast made before the mount failed could not know of it, and is not counted against that "
            "exit. " + _tested_words(astray, "Once the disc was seen to leave")
        )
    skill = skill_of(w.checked)
    if skill.untested:
        too_early = count(skill.too_early) if skill.too_early else "none"
        lines.append(
            f"After {many(skill.untested, 'forecast')} the disc stayed inside until it was put elsewhere, "
            "was lost, or the session ended: these show no exit to compare with. In "
            f"{too_early} of them the median time passed with the disc still inside."
        )
    return lines


def _shortly(minutes: float | None) -> str:
    return span(timedelta(minutes=minutes or 0.0))


def _exit_words(w: Analysis) -> str:
    astray = sum(e.ran_away for e in w.exits)
    if not w.exits:
        return "The limb never reached the edge."
    how = how_often(len(w.exits))
    if astray == len(w.exits):
        return f"The limb reached the edge {how}, after the mount had stopped following the sun."
    after = f", {how_often(astray)} of these after the mount had stopped following the sun" if astray else ""
    return f"The limb reached the edge {how}{after}."


def _tested_words(checked: Iterable[CheckedForecast], when: str) -> str:
    skill = skill_of(list(checked))
    if not skill.tested or skill.median_error is None:
        return f"{when}, no exit came that a forecast could be tested against."
    granted = ""
    if skill.granted is not None:
        others = "in the others it" if skill.too_late else "it"
        granted = f"; {others} fell at {100 * skill.granted:.0f} % of the true time in the median"
    return (
        f"{when}, {many(skill.tested, 'forecast')} can be tested. The median time was off by "
        f"{100 * skill.median_error:.1f} % of the time left, {_shortly(skill.median_error_min)}, in the "
        f"median. The 5 % time was later than the true exit, too late to rely on, in {skill.too_late} of "
        f"{skill.tested}{granted}. The interval from 5 to 95 % held the truth in {skill.held}"
        f"{_claim_words(skill)}."
    )


def _claim_words(skill: Skill) -> str:
    """Return whether the intervals held as often as they claim."""
    held = skill.held / skill.tested
    claim = f"{100 * held:.0f} % where it claims {100 * CLAIMED_SHARE:.0f} %"
    if held < CLAIMED_SHARE:
        return f", less often than it claims: {claim}"
    return f": {claim}"


def mount_lines(w: Analysis) -> list[str]:
    """Return how the mount stood, by the fit to the whole session."""
    lines = []
    for number, mount in enumerate(w.track.mounts, 1):
        p = mount.points
        rate = float(p.base_arcsec_s[0] * (1 + 1e-4 * p.rate[0]) / 15.0)
        which = f"Alignment {number}: " if len(w.track.mounts) > 1 else "From the whole session: "
        lines.append(
            f"{which}axis {signed(float(p.azimuth_deg[0]), 3)} degrees in azimuth and "
            f"{signed(float(p.altitude_deg[0]), 3)} in altitude off the pole, "
            f"rate {signed(100 * (rate - 1), 4)} % off the mean solar rate, camera rolled by "
            f"{signed(np.degrees(float(p.roll_rad[0])), 1)} degrees."
        )
    known = ((f.time_utc, f.mount.axis) for f in reversed(w.record.forecasts) if f.mount is not None)
    last = next(((time_utc, axis) for time_utc, axis in known if axis is not None), None)
    if last is not None:
        time_utc, axis = last
        lines.append(
            f"As of the last forecast, {minute(time_utc)} UTC: azimuth "
            f"{_pm(axis.azimuth_error_deg, axis.azimuth_sigma_deg)}, altitude "
            f"{_pm(axis.altitude_error_deg, axis.altitude_sigma_deg)} degrees (1-sigma)."
        )
    return lines


def _pm(value: float, sigma: float) -> str:
    return f"{signed(value, 3)} ± {sigma:.3f}"


def chain_lines(record: Record) -> list[str]:
    """Return what the running hash is and stands on."""
    links, frames = record.links, len(record.frames) + len(record.strays)
    if not links:
        none = (
            "No picture of this session was hashed (a table of measurements holds no pictures), so nothing "
            "here ties the numbers to files."
        )
        return [none]
    what = (
        f"{count(len(links))} of {many(frames, 'picture')} were hashed in their order of arrival (the first "
        "column of the list of exposures). The running hash begins with nothing; at each picture it "
        "becomes the SHA-256 of itself and the SHA-256 of the picture's file. No picture can be changed, "
        "left out or put in without changing it."
    )
    return [what, _witness_words(record)]


def _witness_words(record: Record) -> str:
    """Return since when the running hash vouches for the pictures."""
    seen = witnesses(record)
    if not seen:
        return (
            "No message carried it out of the computer at the time (a replay sends none, a watch at "
            "alerts.digest_utc), so it vouches for the pictures only from when this page was given to "
            "somebody else."
        )
    return (
        f"{many(len(seen), 'digest')} carried the running hash out at the time, the last at "
        f"{minute(seen[-1].time_utc)} UTC over {many(seen[-1].frames, 'picture')}; "
        f"{sum(one.agrees for one in seen)} of these agree with this chain."
    )
