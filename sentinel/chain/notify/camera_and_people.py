"""The words for what befalls the camera, its clock and supplies, and for visits."""

from collections.abc import Mapping
from typing import Any

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.notify.camera_clock import disagreement
from sentinel.chain.notify.phrase import Phrase, number
from sentinel.chain.notify.tasks import NAMES as RUNS_OUT
from sentinel.chain.notify.tasks import brief_task, doing, task
from sentinel.core.records import Incident, Severity
from sentinel.core.words import TimeWriter, capital, either, small, span_of_minutes

# How the folder is found, and what to do about it; one that is merely empty says nothing by itself.
_FOLDERS = {
    "missing": ("is not there", "Check the computer's disk, card reader or network drive"),
    "unreadable": ("cannot be read", "Check the computer's disk, card reader or network drive"),
    "stuck": ("does not answer", "Check the network drive or disk, restart the computer if it stays so"),
}


def no_frames(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `no-frames`."""
    detail = incident.detail
    if detail.get("same_picture"):
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
    last, missed = detail.get("last_utc"), number(detail, "missed_frames")
    since = times.at(last or incident.onset_utc)
    # In a repeat the count is an old one.
    count = "" if times.again else f", {missed} missed"
    what = f"No pictures since {since}{count}"
    damaged = detail.get("damaged_files")
    if damaged:
        what += ", files came damaged" if times.again else f", {damaged} files came damaged"
    fine = detail.get("mount_was_fine")
    left = "Sun and mount were fine" if fine else ""
    until = detail.get("alone_until_utc")
    if fine and until:
        stays = "was to stay" if times.past(until) else "stays"
        left += f"; the sun {stays} in the frame until {times.at(until)}"
    act = "Check that the camera is on: battery, card, timer, cable"
    folder = _FOLDERS.get(str(detail.get("folder")))
    if folder is not None:
        what += f". The folder they come into {folder[0]}"
        act = f"{folder[1]}, then the camera: battery, card, timer, cable"
    if "sun_rises_utc" in detail:
        rises = detail["sun_rises_utc"]
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


def storage(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `storage`."""
    detail = incident.detail
    hours = detail.get("hours_left")
    span = span_of_minutes(hours * 60 if isinstance(hours, int | float) else None)
    full = times.at(detail.get("full_utc"))
    act = "Make room or change the disk"
    if times.past(detail.get("full_utc")):
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


_JOB_OF = {"camera-battery": "battery", "mount-battery": "mount-battery", "card": "card", "timer": "timer"}


def supply_name(detail: Mapping[str, Any]) -> str:
    """Return what runs out; empty: nobody said."""
    name = RUNS_OUT.get(_JOB_OF.get(str(detail.get("supply")), ""), "")
    return capital(name)


def supply(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `supply`."""
    detail = incident.detail
    name = supply_name(detail) or "A supply"
    act = doing({"job": _JOB_OF.get(str(detail.get("supply")))}, times) if supply_name(detail) else ""
    act = capital(act) or "Renew it and mark it"
    hours = detail.get("hours_left")
    span = span_of_minutes(hours * 60 if isinstance(hours, int | float) else None)
    empty = times.at(detail.get("empty_utc"))
    now = "Go now. " if incident.severity is Severity.NOW else ""
    if times.past(detail.get("empty_utc")):
        return _run_its_time(detail, name, act, empty)
    what = f"{name} runs out at {empty}"
    if times.again:
        return Phrase(f"{name} runs out soon", what, "", act, f"{name} runs out {empty}. {now}{act}.")
    return Phrase(
        f"{name} runs out in {span}",
        what,
        f"That is in {span}",
        act,
        f"{name} runs out {empty}, in {span}. {now}{act}.",
    )


def _run_its_time(detail: Mapping[str, Any], name: str, act: str, empty: str) -> Phrase:
    what = f"{name} was due to run out at {empty}"
    if not detail.get("outlived"):
        return Phrase(f"{name} should have run out", what, "", act, f"{what}. {act}.")
    renew, _, mark = act.partition(", ")
    act = f"If it was renewed, {mark}; if not, {small(renew)}"
    return Phrase(
        f"{name} still running: was it renewed?", f"{what} and is still running: was it renewed?", "", act,
        f"{what}, still running: was it renewed? {act}.",
    )  # fmt: skip


_MISTAKES = {
    "longitude-sign": "the sign of the longitude", "latitude-sign": "the sign of the latitude",
    "time-zone": "the time zone", "date": "the date",
}  # fmt: skip


def wrong_place(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `wrong-place`."""
    likely = [_MISTAKES.get(str(x), str(x)) for x in incident.detail.get("likely", ())]
    causes = either(likely) or "place or time"
    if "sun_altitude_deg" in incident.detail:
        height = number(incident.detail, "sun_altitude_deg")
        what = f"The sun is in the picture at {times.at(incident.onset_utc)}, "
        what += f"but should be below the horizon ({height} degrees)"
    elif "contradicted_share" in incident.detail:
        what = "The sun's light and track do not go with its height by the settings"
        hours = [h for h in incident.detail.get("time_zone_hours", ()) if abs(h) <= 4]
        if hours:
            what += f" (hours that would fit: {', '.join(f'{h:+d}' for h in hours)})"
    else:
        what = "The sun's track needs a polar axis where nobody would set one"
    act = "Check the settings and the camera's clock"
    short = (
        f"Sun seen where it cannot be ({times.at(incident.onset_utc)}). Check {causes}: settings and camera."
    )
    left = f"Likely wrong: {causes}"
    return Phrase("Wrong place or time", what, left, act, short)


def mixed_cameras(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `mixed-cameras`."""
    detail = incident.detail
    size = detail.get("other_size_px") or ["?", "?"]
    other = f"{detail.get('other') or 'another camera'}, {size[0]} x {size[1]}"
    what = (
        f"Pictures of another camera ({other}) have come into the folder since {times.at(incident.onset_utc)}"
    )
    return Phrase(
        "Two cameras in one folder", what, "They are left out", "Give each camera a folder of its own"
    )


def eclipse(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `eclipse`."""
    detail = incident.detail
    share = detail.get("covered_diameter_fraction")
    percent = f"{round(100 * share)} %" if isinstance(share, int | float) else "part"
    greatest = times.at(detail.get("greatest_utc"))
    what = f"The moon covers {percent} of the sun's width at {greatest}, as computed"
    return Phrase("Eclipse", what, f"It ends at {times.at(detail.get('ends_utc'))}")


def visit(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `visit`."""
    detail = incident.detail
    if detail.get("good"):
        until = detail.get("alone_until_utc")
        left = f"May be left alone until {times.at(until)}" if until else "Nothing is due"
        if detail.get("known") is False:
            left = "Until when it may be left alone is not known"
        if detail.get("stay"):
            left = f"It may be left alone only until {times.at(until)}"
        if detail.get("stay") and times.past(until):
            left = f"Something has been due since {times.at(until)}"
        return Phrase("Good, tracking", "Good, tracking", left)
    if detail.get("good") is False and incident.state != "cleared":
        ended = times.at(detail.get("until_utc"))
        waited = "" if times.again else f" for {span_of_minutes(detail.get('waited_min'))}"
        what = f"The visit that ended at {ended} left no good picture{waited}"
        act = "Go back: check cap, clutch, drive, timer"
        return Phrase(
            "LEFT WITHOUT A GOOD PICTURE",
            what,
            "",
            act,
            f"Left without a good picture {ended}. Go back. Check cap, clutch, drive, timer, framing.",
        )
    begun, ends = times.pair(detail.get("from_utc"), detail.get("until_utc"))
    what = f"Somebody is at the camera from {begun} to {ends}"
    return Phrase("Visit", what, "Only the filter alarm sounds")


def _unknown_why(detail: Mapping[str, Any], times: TimeWriter) -> str:
    ahead_s = detail.get("clock_ahead_s")
    if ahead_s is not None:
        return disagreement(ClockOff(ahead_s, detail.get("clock_steady", True)))
    since = f" since {times.at(detail['unseen_since_utc'])}" if "unseen_since_utc" in detail else ""
    return f"no disc has been measured{since}"


def before_sleep(incident: Incident, times: TimeWriter) -> Phrase:
    """Word `before-sleep`: what must be done, and whether it then holds."""
    detail = incident.detail
    sleep_until = times.at(detail.get("sleep_until_utc"))
    jobs = [task(job, times) for job in detail.get("jobs") or ()]
    listed = f"To sleep until {sleep_until}, in one visit: {'; '.join(jobs)}" if jobs else ""
    title = f"Before you sleep: {len(jobs)} to do" if jobs else ""
    if detail.get("known") is False:
        unknown = f"Until when the camera may be left alone is not known: {_unknown_why(detail, times)}"
        return Phrase(
            title or "Before you sleep: nothing is known", listed or unknown, unknown if listed else ""
        )
    if detail.get("holds") is False and detail.get("holds_until_utc"):
        holds = times.at(detail["holds_until_utc"])
        ends = detail.get("ends")
        then = f": {task(ends, times)}" if ends else ""
        even = f"{'Even then' if jobs else 'It holds'} only until {holds}{then}"
        title = title or f"Sleep only until {holds}"
        return Phrase(title, listed or even, even if listed else "")
    if not jobs:
        nothing = f"Nothing to do, sleep until {sleep_until}"
        return Phrase(nothing, nothing)
    brief = "; ".join(brief_task(job, times) for job in detail["jobs"])
    return Phrase(title, listed, short=f"To sleep until {sleep_until}: {brief}.")
