"""Whether to leave the axis as it is or to turn it, and how long it holds; or why that is not known yet."""

from datetime import timedelta
from math import ceil

from sentinel.chain.forecast.sun_path import HORIZON_H
from sentinel.core.settings import Settings
from sentinel.core.words import capital, span, times_in
from sentinel.jobs.align.axis import Alignment
from sentinel.jobs.align.bolts import Bolt
from sentinel.jobs.align.holding import Holding
from sentinel.jobs.align.turning import turns

MOST_S = HORIZON_H * 3600
LOOSE_ROLL_DEG = 1.5
"""Where the camera's roll is known no better a pause of the drive tells more: it shows it to a degree."""


def verdict(alignment: Alignment, settings: Settings) -> list[str]:
    """Say to leave the axis or to turn it; while something is open, what is to be waited for."""
    off = [bolt for bolt in alignment.bolts if bolt.determined and bolt.is_off]
    held, then = alignment.as_it_is, alignment.turned
    if held is None or then is None:
        return [*turns(off, settings), *_open(alignment, off, settings)]
    stays, wanted = _stays(held, alignment, settings), _wanted(alignment)
    if alignment.good_enough:
        cover = f"{stays}{_least(held)}. That covers {wanted}"
        return [f"Leave the bolts: {cover}; every touch risks focus, clutch and tripod."]
    if not off or then.least_s <= held.least_s:
        leave = "Leave the bolts: by what the frames tell no turn would make it longer."
        return [f"{leave} {capital(stays)}; {_short(held, alignment)}."]
    fine = [_fine(bolt) for bolt in alignment.bolts if not bolt.is_off]
    least = _long(then.least_s)
    gain = f"Once turned as told {least if then.least_s >= MOST_S else f'at least {least}'}, from any hour."
    return [*turns(off, settings), *fine, f"{capital(stays)}. That falls short of {wanted}. {gain}"]


def _wanted(alignment: Alignment) -> str:
    return f"the {_long(alignment.wanted_s)} wanted (--hold)"


def _least(held: Holding) -> str:
    """Say how long it stays at least, where what is not known of the axis could make that less."""
    return "" if held.least_s >= held.worst_s else f", or {_long(held.least_s)} by what the axis may be"


def _short(held: Holding, alignment: Alignment) -> str:
    """Say what is missing to what is wanted."""
    wanted = _wanted(alignment)
    if held.worst_s >= alignment.wanted_s:
        least = _long(held.least_s)
        return f"by what the axis may be it could be {least}, short of {wanted}: more frames will tell"
    return f"that falls short of {wanted}: recentre in time"


def _fine(bolt: Bolt) -> str:
    found = f"{bolt.error_deg:+.2f} ± {bolt.sigma_deg:.2f} deg"
    return f"Leave the {bolt.name}: {found} is too little for these frames to tell from none."


def _stays(held: Holding, alignment: Alignment, settings: Settings) -> str:
    """Return for how long the disc stays, put there now, and at the worst hour."""
    now_utc = alignment.forecast.time_utc
    text = "on the axis as it is a disc put in the middle"
    # Within the coming day a time without its date is plain.
    hour = times_in(settings.alerts.zone).as_of(held.worst_utc).at(held.worst_utc)
    worst = f"from the next {hour}, the worst hour, {_long(held.worst_s)}"
    if held.now_s is None:
        return f"{text} stays {worst}"
    if held.worst_utc == now_utc or held.worst_s >= held.now_s:
        return f"{text} now stays {_long(held.now_s)}, and from no other hour less"
    return f"{text} now stays {_long(held.now_s)}; {worst}"


def _open(alignment: Alignment, off: list[Bolt], settings: Settings) -> list[str]:
    """Say what is not determined, what would end the doubt, and about when waiting will.

    Whoever turns a bolt meanwhile begins anew: then nothing is said of waiting.
    """
    a = alignment
    if any(bolt.mirrored for bolt in a.bolts):
        age, share = span(timedelta(seconds=a.span_s)), a.bolts[0].roll_share
        doubt = (
            f"After {age} of frames it is still open how the camera sits on the mount: the errors above "
            f"are {share:.0%} likely, but others fit too, above all their mirror image, the camera turned by "
            "half a turn."
        )
        told = [f"{doubt} Leave both bolts. {_ask(a, settings)}Else go on tracking: {_when(a, settings)}."]
    else:
        then = "the frames after the turn will tell" if off else f"go on tracking; {_when(a, settings)}"
        told = [
            f"The {bolt.name} is not determined yet ({bolt.error_deg:+.2f} ± {bolt.sigma_deg:.2f} deg): "
            f"leave that bolt, {then}."
            for bolt in a.bolts
            if not bolt.determined
        ]
        if not told:
            told = [f"The drive's rate is not determined yet: {'' if off else 'leave the bolts, '}{then}."]
        elif not off and (a.mount.roll_sigma_deg or 0.0) > LOOSE_ROLL_DEG and (pause := _pause(a, settings)):
            told.append(f"Sooner by {pause}: it shows how the camera sits, to a degree.")
    return [*told, "Before that nobody can say how long a disc stays on this axis."]


def _when(alignment: Alignment, settings: Settings) -> str:
    until = alignment.known_from_utc
    if until is None:
        return "it will take hours, and more of the sun's way"
    times = times_in(settings.alerts.zone).as_of(alignment.forecast.time_utc)
    return f"by about {times.at(until)}, if the sun is seen until then, all should be known"


def _ask(alignment: Alignment, settings: Settings) -> str:
    """Return what would end the doubt about the camera's roll, and the operator can give."""
    pause = _pause(alignment, settings)
    if settings.mount.picture_top is not None:
        return f"{capital(pause)} ends that doubt. " if pause else ""
    instead = f" Or, if nobody can tell: {pause}." if pause else ""
    return (
        "One word ends that doubt: with the lens at the sun, towards what does the top of the stored picture "
        "point, the mount's pole, away from it, west or east? Run this again with --top pole, away, west or "
        f"east, or set mount.picture_top.{instead} "
    )


def _pause(alignment: Alignment, settings: Settings) -> str:
    """Return how to let the drive pause; empty where it has, or where the frame is too small for it."""
    now_utc, pointing = alignment.forecast.time_utc, alignment.forecast.pointing
    minutes = max(2, ceil(2 * settings.camera.interval_s / 60))
    if alignment.paused or alignment.stop_room_min < minutes + 1:
        return ""
    edge_utc = pointing.stop_edge_utc if pointing is not None else None
    from_here = edge_utc is None or edge_utc - now_utc > timedelta(minutes=minutes + 1)
    return (
        f"a pause of the drive of {minutes} minutes{'' if from_here else ', the disc in the middle first'}, "
        "pictures going on, and --paused FROM TO to say from when to when it stood"
    )


def _long(seconds: float) -> str:
    """Return how long a disc stays: farther than two days nobody looks."""
    text = span(timedelta(seconds=seconds))
    return f"{text} or more" if seconds >= MOST_S else text
