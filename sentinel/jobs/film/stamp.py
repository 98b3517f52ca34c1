"""The words on a film's pictures: when, where, which way up, and what was not seen. Pure text."""

from dataclasses import dataclass
from datetime import timedelta
from math import isinf

from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.words import TimeWriter, many, second, site_words, span
from sentinel.jobs.film.request import Stamp
from sentinel.jobs.film.story import Card, Cause
from sentinel.jobs.steady import UP_WORDS, Up

VEILED = 0.9
"""Of the limb that lies in the frame, less than this seen is worth a word."""
UNTELLING_WORDS = "clear pictures only", "made round, grey, evenly bright"
EVENED = 1.1
"""A disc shown by this factor brighter or darker than it was is said to be."""
UNSTEADY_PX = 0.15
"""Of the film, 1-sigma: behind a cloud's edge the limb may be known no better, and the sun twitches."""
SURE_DEG = 0.05
"""A doubt about up that is smaller rounds to nothing."""

_TITLES: dict[Cause, str] = {
    "night": "Night",
    "outside": "The sun outside the picture",
    "unseen": "Cloud, or something before the lens",
    "unreadable": "Pictures that cannot be read",
    "pause": "Pause",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerWords:
    """What stands in the corners of a picture; an empty text is not there."""

    top_left: str = ""
    top_right: str = ""
    bottom_left: tuple[str, ...] = ()
    """From above to below."""
    bottom_right: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stamper:
    """Words a session's pictures."""

    settings: Settings
    stamps: frozenset[Stamp]
    up: Up
    times: TimeWriter
    public: bool = False
    """Settings are those of a rounded place, and what the air did to the light is not told."""

    def words(
        self,
        frame: MeasuredFrame,
        *,
        up_sigma_deg: float,
        altitude_deg: float,
        gain: float = 1.0,
        centre_sigma_px: float = 0.0,
    ) -> CornerWords:
        """Return what stands on a frame; the centre's sigma is in pixels of the film."""
        site = self.settings.site
        place = site_words(site.latitude_deg, site.longitude_deg, decimals=1 if self.public else 2)
        altitude = "altitude" in self.stamps and not self.public
        return CornerWords(
            top_left=f"{second(frame.time_utc)} UTC" if "utc" in self.stamps else "",
            top_right=self._local(frame),
            bottom_left=(
                *((place,) if "place" in self.stamps else ()),
                # How well it is known is of the camera's own track.
                UP_WORDS[self.up] if self.public else up_words(self.up, up_sigma_deg),
            ),
            bottom_right=(
                *((f"altitude {altitude_deg:.1f}°",) if altitude else ()),
                *(UNTELLING_WORDS if self.public else seen_words(frame, gain, centre_sigma_px)),
            ),
        )

    def _local(self, frame: MeasuredFrame) -> str:
        if "local" not in self.stamps or self.times.zone is None:
            return ""
        local = frame.time_utc.astimezone(self.times.zone)
        offset = local.utcoffset()
        # At the end of summer time an hour comes twice.
        twice = offset is not None and offset != local.replace(fold=1 - local.fold).utcoffset()
        apart = f" (UTC{offset / timedelta(hours=1):+g})" if twice and offset is not None else ""
        return f"{second(local)} {self.times.zone_name}{apart}"

    def card(self, card: Card) -> tuple[str, ...]:
        """Return a card's lines, its title first."""
        # Who leaves the time out of the pictures does not want it on the cards either.
        told = "utc" in self.stamps
        between = f"{second(card.begin_utc)} to {second(card.end_utc)} UTC" if told else ""
        facts = [
            between,
            span(card.end_utc - card.begin_utc),
            f"{many(card.unseen, 'picture')} without the sun's disc" if card.unseen else "",
            f"{many(card.unreadable, 'picture')} that cannot be read" if card.unreadable else "",
            f"no pictures for {span(card.missing)}" if card.missing else "",
            f"the sun below the horizon for {span(card.night)}" if card.night > timedelta() else "",
        ]
        return (title_of(card), *(fact for fact in facts if fact))


def title_of(card: Card) -> str:
    """Return what a gap is, in a few words."""
    return _TITLES[card.cause]


def up_words(up: Up, sigma_deg: float) -> str:
    """Return `solar north up ± 0.7° (1-sigma)`."""
    doubt = f" ± {sigma_deg:.1f}° (1-sigma)" if sigma_deg >= SURE_DEG and not isinf(sigma_deg) else ""
    return f"{UP_WORDS[up]}{doubt}"


def seen_words(frame: MeasuredFrame, gain: float = 1.0, centre_sigma_px: float = 0.0) -> tuple[str, ...]:
    """Return what is to be known of a picture besides: part of the sun outside, veiled, unsteady, evened."""
    disc = frame.disc
    said = []
    if not disc.found:
        said.append("no disc measured")
    elif not disc.whole:
        said.append(f"{disc.limb_in_frame:.0%} of the limb in the frame")
    if disc.found and disc.limb_coverage < VEILED * disc.limb_in_frame:
        said.append(f"{disc.limb_coverage:.0%} of the limb seen")
    if centre_sigma_px > UNSTEADY_PX:
        said.append(f"centre ± {centre_sigma_px:.1f} px (1-sigma)")
    if not 1 / EVENED < gain < EVENED:
        said.append(f"brightness x {gain:.2g}")
    return tuple(said)
