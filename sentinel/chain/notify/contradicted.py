"""The words for settings that the pictures contradict, and for a lens that is another than before."""

from sentinel.chain.judge.camera_details import LensSize
from sentinel.chain.notify.phrase import Phrase, number
from sentinel.core.records import Incident
from sentinel.core.words import TimeWriter


def lens(incident: Incident, detail: LensSize, times: TimeWriter) -> Phrase:
    """Word `lens`: another one since a moment."""
    since = times.at(incident.onset_utc)
    ratio, focal = number(detail.size_ratio, 3), number(detail.focal_length_mm)
    what = f"The sun has been {ratio} times as large in the picture since {since}: another lens or zoom"
    left = f"It acts like {focal} mm"
    act = "If it was changed on purpose, enter it in the settings; if not, tape the zoom ring"
    short = f"Sun {ratio} times as large since {since}: another lens or zoom, now like {focal} mm. "
    short += "Enter it in the settings or tape the ring."
    return Phrase("Another lens?", what, left, act, short)


def settings(incident: Incident, detail: LensSize, times: TimeWriter) -> Phrase:
    """Word `settings`."""
    if detail.what == "tracking":
        return _tracking(incident, times)
    ratio = number(detail.size_ratio, 2)
    focal, pitch = number(detail.implied_focal_length_mm), number(detail.implied_pixel_pitch_um, 2)
    what = f"The sun is {ratio} times as large in the picture as the settings' lens would make it"
    left = f"It fits a focal length of {focal} mm, or a pixel pitch of {pitch} um"
    act = "Check camera.focal_length_mm and camera.pixel_pitch_um in the settings"
    short = f"Sun {ratio} times as large as settings say: focal length {focal} mm or pixel pitch {pitch} um. "
    return Phrase("Focal length or pixel pitch is wrong", what, left, act, f"{short}Check the settings.")


def _tracking(incident: Incident, times: TimeWriter) -> Phrase:
    since = times.at(incident.onset_utc)
    what = f"The settings say that the mount does not track, but it has carried the sun since {since}"
    act = "Set mount.tracking in the settings to the drive's rate"
    return Phrase(
        "The mount tracks",
        what,
        "It is watched as one that tracks",
        act,
        f"Settings say mount does not track, but it does since {since}. {act}.",
    )
