"""The words for what befalls the camera, its clock and supplies, and for visits."""

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.camera_details import (
    BeforeSleep,
    MixedCameras,
    NoFrames,
    Storage,
    Supply,
    VisitTold,
    WrongPlace,
)
from sentinel.chain.judge.conditions import SUPPLIES
from sentinel.chain.judge.details import Eclipse, Task
from sentinel.chain.notify.camera_clock import disagreement
from sentinel.chain.notify.phrase import Phrase, number
from sentinel.chain.notify.tasks import BRIEF, brief_task, doing, ends, still_works, task, unknown_why
from sentinel.chain.notify.tasks import NAMES as RUNS_OUT
from sentinel.core.foreseen import CONTRADICTED_SHARE
from sentinel.core.records import Incident, Severity
from sentinel.core.words import TimeWriter, capital, either, many, small, span_of_hours, span_of_minutes

# How the folder is found, and what to do about it; one that is merely empty says nothing by itself.
_FOLDERS = {
    "missing": ("is not there", "Check the computer's disk, card reader or network drive"),
    "unreadable": ("cannot be read", "Check the computer's disk, card reader or network drive"),
    "stuck": ("does not answer", "Check the network drive or disk, restart the computer if it stays so"),
}


def no_frames(incident: Incident, detail: NoFrames, times: TimeWriter) -> Phrase:
    """Word `no-frames`."""
    if detail.same_picture:
        what = (
            f"The camera has delivered the same picture again and again since {times.at(incident.onset_utc)}"
        )
        act = "Check the camera, its card and its timer"
        return Phrase(
            "Same picture again and again: go now",
            what,
            "",
            act,
            f"Camera repeats one picture since {times.at(incident.onset_utc)}. Check camera, card, timer.",
        )
    last, missed = detail.last_utc, number(detail.missed_frames)
    since = times.at(last or incident.onset_utc)
    # In a repeat the count is an old one.
    count = "" if times.again else f", {missed} missed"
    what = f"No pictures since {since}{count}"
    damaged = detail.damaged_files
    if damaged:
        what += ", files came damaged" if times.again else f", {many(damaged, 'file')} came damaged"
    fine = detail.mount_was_fine
    left = "Sun and mount were fine" if fine else ""
    until = detail.alone_until_utc
    if fine and until:
        stays = "was to stay" if times.past(until) else "stays"
        left += f"; the sun {stays} in the frame until {times.at(until)}"
    act = "Check that the camera is on: battery, card, timer, cable"
    folder = _FOLDERS.get(detail.folder or "")
    if folder is not None:
        what += f". The folder they come into {folder[0]}"
        act = f"{folder[1]}, then the camera: battery, card, timer, cable"
    rises = detail.sun_rises_utc
    if rises is not None or detail.sun_stays_down:
        if times.past(rises):
            left, short = f"The sun rose at {times.at(rises)}", f"No pictures since {since}. {act}."
            return Phrase("NO PICTURES: go now", what, left, act, short)
        left = f"The sun is down{f' and is back at {times.at(rises)}' if rises else ''}"
        till = f" till {times.at(rises)}" if rises else ""
        short = f"No pictures since {since}, sun down{till}. {act} before sunrise."
        return Phrase("NO PICTURES; the sun is down", what, left, f"{act}, before the sun is back", short)
    stay = f" Sun stays in frame till {times.at(until)}." if fine and until and not times.past(until) else ""
    short = f"No pictures since {since}{count}.{' Sun and mount were fine.' if fine else ''} "
    short += f"Check camera on, battery, card, timer, cable.{stay}"
    return Phrase("NO PICTURES: go now", what, left, act, short)


def storage(_: Incident, detail: Storage, times: TimeWriter) -> Phrase:
    """Word `storage`."""
    span = span_of_hours(detail.hours_left)
    full = times.at(detail.full_utc)
    act = "Make room or change the disk"
    if times.past(detail.full_utc):
        what = f"The disk for the pictures was due to be full at {full}"
        return Phrase(
            "Disk due to be full", what, "", act, f"Disk was due to be full {full}. Make room or change disk."
        )
    what = f"The disk for the pictures is full at {full}"
    if times.again:
        return Phrase("Disk nearly full", what, "", act, f"Disk full {full}. Make room or change disk.")
    return Phrase(
        f"Disk full in {span}",
        what,
        f"That is in {span}",
        act,
        f"Disk full {full}, in {span}. Make room or change disk.",
    )


_JOB_OF = {supply: job for job, supply in SUPPLIES.items()}


def supply_name(detail: Supply) -> str:
    """Return what runs out; empty: nobody said."""
    return capital(RUNS_OUT.get(_JOB_OF.get(detail.supply, ""), ""))


def supply(incident: Incident, detail: Supply, times: TimeWriter) -> Phrase:
    """Word `supply`."""
    name = supply_name(detail) or "A supply"
    job = _JOB_OF.get(detail.supply)
    act = capital(doing(Task(job=job), times)) if job is not None else "Renew it and mark it"
    span = span_of_hours(detail.hours_left)
    empty = times.at(detail.empty_utc)
    now = "Go now. " if incident.severity is Severity.NOW else ""
    if times.past(detail.empty_utc):
        return _run_its_time(detail, name, act, empty)
    goes = f"{name} {ends(job or '')[0]}"
    what = f"{goes} at {empty}"
    if times.again:
        return Phrase(f"{goes} soon", what, "", act, f"{goes} {empty}. {now}{act}.")
    return Phrase(
        f"{goes} in {span}", what, f"That is in {span}", act, f"{goes} {empty}, in {span}. {now}{act}."
    )


def _run_its_time(detail: Supply, name: str, act: str, empty: str) -> Phrase:
    job = _JOB_OF.get(detail.supply, "")
    if not detail.outlived:
        what = f"{name} was to {ends(job)[1]} at {empty}"
        return Phrase(f"{name}: its count is over", what, "", act, f"{what}. {act}.")
    what = f"{still_works(job, name, empty)}: was it renewed?"
    renew, _, mark = act.partition(", ")
    act = f"If it was, {mark}; if not, {small(renew)}"
    return Phrase(f"{name}: was it renewed?", what, "", act, f"{what} {act}.")


_MISTAKES = {
    "longitude-sign": "the sign of the longitude", "latitude-sign": "the sign of the latitude",
    "time-zone": "the time zone", "date": "the date",
}  # fmt: skip


def wrong_place(incident: Incident, detail: WrongPlace, times: TimeWriter) -> Phrase:
    """Word `wrong-place`."""
    likely = [_MISTAKES.get(one, one) for one in detail.likely]
    causes = either(likely) or "place or time"
    if detail.sun_altitude_deg is not None:
        height = number(detail.sun_altitude_deg)
        what = f"The sun is in the picture at {times.at(incident.onset_utc)}, "
        what += f"but should be below the horizon ({height} degrees)"
    elif detail.contradicted_share is not None and detail.contradicted_share < CONTRADICTED_SHARE:
        title = "Are place and time right?"
        what = f"The sun's light and track go better with another place or time{_hours_that_fit(detail)}"
        left = f"It is not certain; if so, likely wrong: {causes}"
        short = f"Place or time may be wrong. Check {causes}: settings and camera."
        return Phrase(title, what, left, "Check the settings and the camera's clock", short)
    elif detail.contradicted_share is not None:
        what = "The sun's light and track do not go with its height by the settings"
        what += _hours_that_fit(detail)
    else:
        what = "The sun's track needs a polar axis where nobody would set one"
    act = "Check the settings and the camera's clock"
    short = (
        f"Sun seen where it cannot be ({times.at(incident.onset_utc)}). Check {causes}: settings and camera."
    )
    left = f"Likely wrong: {causes}"
    return Phrase("Wrong place or time", what, left, act, short)


def _hours_that_fit(detail: WrongPlace) -> str:
    hours = [h for h in detail.time_zone_hours if abs(h) <= 4]
    return f" (hours that would fit: {', '.join(f'{h:+d}' for h in hours)})" if hours else ""


def mixed_cameras(incident: Incident, detail: MixedCameras, times: TimeWriter) -> Phrase:
    """Word `mixed-cameras`."""
    size = detail.other_size_px or ("?", "?")
    other = f"{detail.other or 'another camera'}, {size[0]} x {size[1]}"
    what = (
        f"Pictures of another camera ({other}) have come into the folder since {times.at(incident.onset_utc)}"
    )
    return Phrase(
        "Two cameras in one folder", what, "They are left out", "Give each camera a folder of its own"
    )


def eclipse(_: Incident, detail: Eclipse, times: TimeWriter) -> Phrase:
    """Word `eclipse`."""
    share = detail.covered_diameter_fraction
    percent = f"{round(100 * share)} %" if share is not None else "part"
    greatest = times.at(detail.greatest_utc)
    what = f"The moon covers {percent} of the sun's width at {greatest}, as computed"
    return Phrase("Eclipse", what, f"It ends at {times.at(detail.ends_utc)}")


def visit(incident: Incident, detail: VisitTold, times: TimeWriter) -> Phrase:
    """Word `visit`."""
    if detail.good:
        until = detail.alone_until_utc
        left = f"May be left alone until {times.at(until)}" if until else "Nothing is due"
        if detail.known is False:
            left = "Until when it may be left alone is not known"
        if detail.stay:
            left = f"It may be left alone only until {times.at(until)}"
        if detail.stay and times.past(until):
            left = f"Due since {times.at(until)}: {BRIEF.get(detail.ends, detail.ends)}"
        ask = f"If done on this visit, mark it: {', '.join(detail.unmarked)}" if detail.unmarked else ""
        return Phrase("Good, tracking", "Good, tracking", left, ask)
    if detail.good is False and incident.state != "cleared":
        ended = times.at(detail.until_utc)
        waited = "" if times.again else f" for {span_of_minutes(detail.waited_min)}"
        what = f"The visit that ended at {ended} left no good picture{waited}"
        act = "Go back: check cap, clutch, drive, timer"
        if incident.severity is not Severity.NOW:
            # Cloud may hide the sun, as it may have before: that the visit left something wrong is not known.
            what = f"No good picture has come since the visit ended at {ended}"
            act = f"If the sun shines there, {small(act)}"
            short = f"No good picture since visit ended {ended}: cloud, perhaps. {act}."
            return Phrase("No good picture since the visit", what, "It may be cloud", act, short)
        return Phrase(
            "LEFT WITHOUT A GOOD PICTURE",
            what,
            "",
            act,
            f"Left without a good picture {ended}. Go back. Check cap, clutch, drive, timer, framing.",
        )
    begun, ends = times.pair(detail.from_utc, detail.until_utc)
    what = f"Somebody is at the camera from {begun} to {ends}"
    return Phrase("Visit", what, "Only the filter alarm sounds")


def _unknown_why(detail: BeforeSleep, times: TimeWriter) -> str:
    ahead_s = detail.clock_ahead_s
    if ahead_s is not None:
        return disagreement(ClockOff(ahead_s, detail.clock_steady is not False))
    return unknown_why(
        times,
        departed_utc=detail.departed_utc,
        blind_utc=detail.blind_since_utc,
        unseen_utc=detail.unseen_since_utc,
    )


def before_sleep(_: Incident, detail: BeforeSleep, times: TimeWriter) -> Phrase:
    """Word `before-sleep`: what must be done, and whether it then holds."""
    sleep_until = times.at(detail.sleep_until_utc)
    jobs = [task(job, times) for job in detail.jobs or ()]
    listed = f"To sleep until {sleep_until}, in one visit: {'; '.join(jobs)}" if jobs else ""
    title = f"Before you sleep: {len(jobs)} to do" if jobs else ""
    if detail.known is False:
        unknown = f"Until when the camera may be left alone is not known: {_unknown_why(detail, times)}"
        return Phrase(
            title or "Before you sleep: nothing is known", listed or unknown, unknown if listed else ""
        )
    if detail.holds is False and detail.holds_until_utc:
        holds = times.at(detail.holds_until_utc)
        ends = detail.ends
        again = ends is not None and any(job.job == ends.job for job in detail.jobs or ())
        then = f": {task(ends, times)}" if ends and not again else ""
        even = f"{'Even then' if jobs else 'It holds'} only until {holds}{then}"
        title = title or f"Sleep only until {holds}"
        return Phrase(title, listed or even, even if listed else "")
    if not jobs:
        nothing = f"Nothing to do, sleep until {sleep_until}"
        covered = detail.covered_until_utc
        return Phrase(nothing, nothing, f"It may be left alone until {times.at(covered)}" if covered else "")
    brief = "; ".join(brief_task(job, times) for job in detail.jobs or ())
    return Phrase(title, listed, short=f"To sleep until {sleep_until}: {brief}.")
