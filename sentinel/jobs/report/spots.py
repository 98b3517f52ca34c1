"""The dark blobs of a session in words and rows: spots on the sun, dust on the sensor. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sentinel.core.words import signed
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.pictures import Pictures
from sentinel.jobs.spots.follow import FollowedBlob, Kind
from sentinel.jobs.spots.motion import Motion, motion_of, together
from sentinel.sky import Orientation, from_central_meridian_deg

LETTERS: dict[Kind, str] = {"sun": "S", "sensor": "D", "undecided": "U"}
KIND_WORDS: dict[Kind, str] = {
    "sun": "spot on the sun",
    "sensor": "dust or a mark on the sensor",
    "undecided": "not told",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedBlob:
    """A blob under the name that map and table share."""

    name: str
    blob: FollowedBlob
    latitude_deg: float
    west_deg: float
    """From the central meridian in the middle of the session."""
    longitude_deg: float
    """Carrington."""
    motion: Motion | None


def named_blobs(w: Analysis, pictures: Pictures) -> list[NamedBlob]:
    """Return the blobs with their names: spots first, then dust, then what is not told."""
    middle_s = (w.axis.begin_s + float(w.columns.utc_s[-1])) / 2
    central_deg = float(Orientation(w.sun).central_longitude_deg(middle_s))
    named = []
    for kind, letter in LETTERS.items():
        for number, blob in enumerate((one for one in pictures.blobs if one.kind == kind), 1):
            first_deg = float(blob.longitude_deg[0])
            ahead = np.median(from_central_meridian_deg(blob.longitude_deg, first_deg))
            longitude_deg = float(first_deg + ahead) % 360
            named.append(
                NamedBlob(
                    name=f"{letter}{number}",
                    blob=blob,
                    latitude_deg=float(np.median(blob.latitude_deg)),
                    west_deg=float(from_central_meridian_deg(longitude_deg, central_deg)),
                    longitude_deg=longitude_deg,
                    motion=motion_of(blob) if pictures.north_good else None,
                )
            )
    return named


def how_told(blob: FollowedBlob) -> str:
    """Return what a blob was told by."""
    if blob.kind == "sun":
        return (
            f"kept its place on the turned disc within {blob.sun_scatter_px:.1f} px, while it moved by up "
            f"to {blob.moved_px:.0f} px on the sensor"
        )
    if blob.kind == "sensor":
        return (
            f"kept its place on the sensor within {blob.sensor_scatter_px:.1f} px, while the disc moved by "
            f"up to {blob.disc_moved_px:.0f} px; on the disc it would have wandered by "
            f"{blob.sun_scatter_px:.0f} px"
        )
    return (
        f"the disc moved by {blob.disc_moved_px:.1f} px only: on the sensor it kept its place within "
        f"{blob.sensor_scatter_px:.1f} px, on the disc within {blob.sun_scatter_px:.1f} px"
    )


def place_words(one: NamedBlob, pictures: Pictures) -> str:
    """Return where a blob is: on the sun, or in the stored picture."""
    blob = one.blob
    pixel = f"x {np.median(blob.x_px):.0f}, y {np.median(blob.y_px):.0f} px"
    if blob.kind == "sensor":
        return pixel
    if not pictures.north_good:
        return "on the disc; its latitude is not known" if blob.kind == "sun" else pixel
    latitude = f"{abs(one.latitude_deg):.1f} {'N' if one.latitude_deg >= 0 else 'S'}"
    west = f"{abs(one.west_deg):.1f} {'W' if one.west_deg >= 0 else 'E'}"
    return f"{latitude}, {west}; Carrington {one.longitude_deg:.1f}"


def motion_words(one: NamedBlob) -> str:
    """Return a spot's motion in longitude beside the published one; empty: not told."""
    if one.motion is None:
        return ""
    return (
        f"{signed(one.motion.measured, 2)} ± {one.motion.sigma:.2f} (published "
        f"{signed(one.motion.published, 2)})"
    )


def size_words(w: Analysis, blob: FollowedBlob) -> str:
    """Return how large a blob is: across in arcseconds, and how dark."""
    across = blob.across_px * w.track.scale_arcsec_px
    return f"{across:.0f}″, {100 * blob.contrast:.0f} % darker"


@dataclass(frozen=True, slots=True)
class Together:
    """How so many spots move in longitude beside the published rotation, degrees a day."""

    spots: int
    off: float
    sigma: float


def motion_together(named: Sequence[NamedBlob]) -> Together | None:
    """Return how all spots move; None: of none it is told."""
    motions = [one.motion for one in named if one.motion is not None]
    return Together(len(motions), *together(motions)) if motions else None
