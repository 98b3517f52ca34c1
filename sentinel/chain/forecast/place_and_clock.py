"""Whether the settings' place and the camera's clock can be true: what only the sun can tell.

A wrong hour, a longitude or a latitude of the wrong sign turn the whole sky about the pole (or over the
equator), and the mount with it: without air the track is the same and its axis stands elsewhere. Four
things part them: discs seen with the sun down, light that goes with the air it passes, and how the air
flattens and how it lifts the sun.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sentinel.chain.forecast.fit import TILT_SIGMA_DEG, level_of
from sentinel.chain.forecast.geometry import Geometry, Indices, OtherSky, TurnedSky
from sentinel.chain.forecast.light import DOWN_COSTS, DOWN_DEG, DOWN_MOST, Light
from sentinel.chain.forecast.ovals import FEWEST, SAMPLE_S, SAMPLES, Ovals
from sentinel.chain.forecast.sun_path import SunPath, SunUp
from sentinel.core.angles import half_turn_deg
from sentinel.core.foreseen import CONTRADICTED_SHARE, Contradiction
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.horizon import HorizonLine
from sentinel.sky.sun import Sun

MistakeKind = Literal["none", "longitude-sign", "latitude-sign", "time-zone"]

# How likely each mistake is beforehand. A judgement: summer time, a zone's hours and a sign are what people
# get wrong, all else is rare.
_USUAL, _RARE = 0.005, 0.0001
_USUAL_HOURS = 3
_OPEN_SIGMAS = 2.0
"""What light and track have not spoken against lies within so many sigmas: there may be as much again of what
the fit itself leaves open, and three still hold it."""
_MISFIT = 2.0
"""Of the log of a likelihood: real skies fit the skies reckoned with so badly. What speaks less against a
mistake says nothing."""
_MIRRORED = 0.5
"""How likely the roll is the opposite one, and the axis mirrored, if a mistake was made: what tells them
apart is the air, and that was asked at another hour then."""
_EXCLUDED = 12.0
"""What is less likely by this, in the log, is excluded."""
_LEAST_DEG = 5.0
"""Of longitude or latitude: of less, the other sign hardly matters."""

_LIKELY, _POSSIBLE = 0.05, 1e-4
"""A mistake so likely has its say in all that is told of coming times, and one that is possible in the safe
time: beforehand the usual ones are fifty times as likely, the rare ones as likely."""
_LEVEL = HorizonLine(())
_STEADY_STOPS, _UNSTEADY_STOPS, _UNSTEADY_STEADIEST = 0.008, 0.06, 1.7
"""Light that changes by less from frame to frame is steady, by more it is not: there is cloud, or a bracket
of exposures that no file tells of; in between it is where it changes so many times as much as in the
steadiest quarter of the day."""
_VEILED = 4
"""So many samples after cloud tell nothing: thin cloud may hang on, as steady as clear air."""
_CLEAREST = 0.75
"""Quantile of a sample's frames: cloud takes light away and brings none."""
_WHOLE = 0.9
_MOST_SATURATED, _MOST_LEVEL = 0.1, 0.98
"""A disc of which more is burnt out tells no light."""
_TRACK_MOST = 6.0
"""The track does not decide alone: a change of the drift that is not known yet may look like anything."""
_SET_S = 1500.0
"""A camera's clock that goes off by more between two frames that come one after the other has been set."""
_OVALS_MOST = 12.0
"""Nor do the ovals decide alone for a mistake, however plain they are: a lens may do what no lens did yet."""
_NEW_SHARE, _NEW_MOST = 0.125, 8
"""Light and ovals are weighed anew when so large a share of their samples is new, and at the latest after so
many: one more tells little beside many, and what all of them say is dear to work out."""
TRACK_EVERY_S = 7200.0
"""The track is asked again: its word grows with its length, and is dear too."""
TRACK_SHARE = 0.7
"""The real air's changes are like the sun's own at another hour: the track's word counts for less."""
_LIKELIER = 0.5
"""More likely than not something is wrong: a question that was asked stands until then."""
_WORTH_TELLING = 0.05
_WEIGHTLESS = 1e-4


@dataclass(frozen=True, slots=True)
class Mistake:
    """What may be wrong with the settings' place or the clock: then the sun was where this says."""

    kind: MistakeKind
    prior: float
    hours: float = 0.0
    """The sun stood where the settings have it so many hours later."""
    across: bool = False
    """At the same hour angle, as far on the other side of the equator."""


def mistakes(site: Site) -> tuple[Mistake, ...]:
    """Return that nothing is wrong, and what may be."""
    found = [
        Mistake("time-zone", _USUAL if abs(hours) <= _USUAL_HOURS else _RARE, float(hours))
        for hours in range(-11, 13)
        if hours
    ]
    longitude_deg = half_turn_deg(site.longitude_deg)
    if abs(longitude_deg) > _LEAST_DEG:
        found.append(Mistake("longitude-sign", _USUAL, -2 * longitude_deg / 15))
    if abs(site.latitude_deg) > _LEAST_DEG:
        found.append(Mistake("latitude-sign", _USUAL, across=True))
    return (Mistake("none", 1 - sum(one.prior for one in found)), *found)


@dataclass(frozen=True, slots=True)
class SettingsDoubt:
    """How likely it is that place or clock are wrong, and in what way."""

    mistakes: tuple[Mistake, ...]
    sky: TurnedSky
    """What each of them makes of an axis."""
    log_odds: Array
    """(k,) log of how much likelier light and track are by each than if nothing is wrong."""
    roll_told: bool
    """How the camera sits is known otherwise than by the track."""

    @property
    def weights(self) -> Array:
        """How likely each is, (k,) one in all; the first is that nothing is wrong."""
        log = np.log([one.prior for one in self.mistakes]) + self.log_odds
        weights = np.exp(log - log.max())
        return np.asarray(weights / weights.sum())

    @property
    def wrong(self) -> float:
        """How likely anything is wrong."""
        return float(1 - self.weights[0])

    @property
    def contradicted(self) -> bool:
        """Whether something is wrong for sure."""
        return self.wrong >= CONTRADICTED_SHARE

    def _against(self) -> Array:
        """Return how far light and track have spoken against each, (k,): log, rarity too."""
        rare = np.log([min(one.prior / _USUAL, 1.0) for one in self.mistakes])
        return np.asarray(np.maximum(-(self.log_odds + rare) - _MISFIT, 0.0))

    def open_still(self, least_share: float = 0.0) -> Bools:
        """Return which mistakes are not excluded, (k,), and at least so likely; the first is none."""
        found = (self._against() < _EXCLUDED) & (self.weights >= least_share)
        found[0] = False
        return found

    def contradiction(self) -> Contradiction | None:
        """Return what is likely to be wrong; None where most likely nothing is."""
        if self.wrong < _LIKELIER:
            return None
        shares: dict[MistakeKind, float] = {}
        hours: list[int] = []
        for one, weight in zip(self.mistakes[1:], self.weights[1:], strict=True):
            shares[one.kind] = shares.get(one.kind, 0.0) + float(weight)
            if one.kind == "time-zone" and weight > _WORTH_TELLING:
                hours.append(round(one.hours))
        kept = sorted((k for k in shares if shares[k] > _WORTH_TELLING), key=lambda kind: -shares[kind])
        return Contradiction(likely=tuple(kept), hours=tuple(hours), share=self.wrong)

    def sigma_deg(self, at_deg: tuple[float, float], covariance_deg2: Array) -> Array:
        """Return how far azimuth and altitude may be from what is told of them, (2,).

        The fit's own covariance (2, 2) holds if nothing is wrong. However unlikely a mistake is beforehand,
        where it was made the axis stands elsewhere: until light or track have spoken against it, that is
        within `_OPEN_SIGMAS`; the more they speak, the more sigmas away it may lie, until it is excluded.
        Once something is wrong for sure, nothing is known of the axis.
        """
        against = self._against()
        sigma = np.sqrt(np.diag(covariance_deg2))
        for side, unlikely in ((1.0, 0.0), (-1.0, -np.log(_MIRRORED)))[: 1 if self.roll_told else 2]:
            open_still = against + unlikely < _EXCLUDED
            open_still[0] = False
            axis, slope = self.sky.axis_deg((side * at_deg[0], side * at_deg[1]), open_still)
            own = np.einsum("kij,jl,kil->ki", slope, covariance_deg2, slope)
            off = half_turn_deg(axis - np.array(at_deg))
            sigmas = np.sqrt(_OPEN_SIGMAS**2 + 2 * (against + unlikely)[open_still])
            sigma = (np.sqrt(own + off**2) / sigmas[:, None]).max(axis=0, initial=0.0).clip(sigma)
        if self.contradicted:
            sigma = np.maximum(sigma, TILT_SIGMA_DEG / np.array([level_of(self.sky.latitude_deg), 1.0]))
        return np.asarray(sigma)


class PlaceAndClock:
    """Learns from light and track; bounded."""

    def __init__(self, site: Site, sun: Sun) -> None:
        self.mistakes = mistakes(site)
        self._sun, self._across = sun, sun.across_equator()
        self._site = site
        self._live: tuple[float, float] | None = None
        """When the last frame that came live was taken, by its own clock, and when it came."""
        self._forget()
        sides = Geometry(site, sun), Geometry(self._across.site, self._across)
        self.skies = tuple(OtherSky(sides[one.across], one.hours * 3600, one.across) for one in self.mistakes)
        self._sky = TurnedSky.of(site.latitude_deg, self.skies)

    def _forget(self) -> None:
        """Forget what was seen: the clock has been set since."""
        self._samples: deque[tuple[float, float, float]] = deque(maxlen=SAMPLES)
        self._open: list[tuple[float, float]] = []
        self._by_light, self._by_ovals, self._by_track, self._by_track_before = np.zeros(
            (4, len(self.mistakes))
        )
        self._ovals = Ovals(self._site)
        self._new_samples = 0
        self._tracked_s = -np.inf
        self._down_s: deque[float] = deque(maxlen=DOWN_MOST)

    def _clock_was_set(self, frame: MeasuredFrame) -> bool:
        """Whether the camera's clock has gone otherwise than the computer's since the frame before."""
        if frame.arrived_utc is None:
            return False
        before, self._live = self._live, (utc_s(frame.time_utc), utc_s(frame.arrived_utc))
        if before is None or not 0 <= self._live[1] - before[1] < SAMPLE_S:
            return False
        return abs(self._live[0] - before[0] - (self._live[1] - before[1])) > _SET_S

    def doubt(self, *, roll_told: bool = False) -> SettingsDoubt:
        """Return how likely each mistake is; whether it is known how the camera sits, but by the track."""
        track = np.clip(self._by_track_before + self._by_track, -_TRACK_MOST, _TRACK_MOST)
        log = self._without_track() + TRACK_SHARE * track
        return SettingsDoubt(self.mistakes, self._sky, log - log[0], roll_told)

    def _without_track(self) -> Array:
        """Return the log of how likely all but the track is by each mistake."""
        log = self._by_light + self._by_ovals
        log[0] -= DOWN_COSTS * len(self._down_s)
        return log

    def _worth_asking(self) -> Indices:
        """Return the mistakes, the first of all that there is none, to which the track could give weight."""
        log = np.log([one.prior for one in self.mistakes]) + self._without_track()
        most = TRACK_SHARE * _TRACK_MOST
        # By how the track is told, it says nothing for or against the first.
        best = max(log[0], log.max() - most)
        worth = log + most > best + np.log(_WEIGHTLESS)
        worth[0] = True
        return np.flatnonzero(worth)

    def see(self, frame: MeasuredFrame) -> None:
        """Take a frame."""
        if self._clock_was_set(frame):
            self._forget()
        disc, at_s = frame.disc, utc_s(frame.time_utc)
        if not disc.found or not disc.limb_coverage >= _WHOLE:
            return
        if float(self._sun.altaz_deg(at_s)[0]) < DOWN_DEG:
            self._down_s.append(at_s)
        elif self._down_s and at_s - self._down_s[0] > SAMPLES * SAMPLE_S:
            # As long ago as the oldest of the light: a clock may have been set since.
            self._down_s.popleft()
        self._ovals.see(frame)
        if disc.saturated_fraction > _MOST_SATURATED or not 0 < disc.brightness < _MOST_LEVEL:
            return
        stops = float(np.log2(disc.brightness)) - (frame.exposure_stops or 0.0)
        if self._open and not 0 <= at_s - self._open[0][0] < SAMPLE_S:
            self._close()
        self._open.append((at_s, stops))

    def _close(self) -> None:
        times, light = np.array(self._open).T
        if len(times) > 1:
            change = float(np.abs(np.diff(light)).mean())
            self._samples.append((float(times.mean()), float(np.quantile(light, _CLEAREST)), change))
            self._new_samples += 1
        self._open.clear()

    def weigh(self, now_s: float, track: Callable[[Sequence[OtherSky]], Array | None]) -> None:
        """Ask light and track anew, now and then; `track` gives the log of how likely it is by each."""
        if _enough_new(self._new_samples, len(self._samples)):
            self.weigh_light()
        if _enough_new(self._ovals.fresh, len(self._ovals)):
            said = self._ovals.log_evidence(self.skies)
            self._by_ovals = said - max(said[0], said.max() - _OVALS_MOST)
            self._by_ovals[0] = 0.0
        if abs(now_s - self._tracked_s) < TRACK_EVERY_S:
            return
        asked = self._worth_asking()
        log_evidence = track([self.skies[i] for i in asked])
        if log_evidence is None:
            return
        self._tracked_s = now_s
        if np.isfinite(log_evidence[0]):
            self._by_track[asked] = np.clip(log_evidence - log_evidence[0], -_TRACK_MOST, _TRACK_MOST)

    def weigh_light(self) -> None:
        """Work out anew what the light says."""
        self._new_samples = 0
        if len(self._samples) < FEWEST:
            return
        times_s, stops, change = np.array(self._samples).T
        usual = max(_UNSTEADY_STEADIEST * float(np.quantile(change, 0.25)), _STEADY_STOPS)
        steady = change < min(usual, _UNSTEADY_STOPS)
        # Cloud that comes or goes reaches into the samples beside it, and may leave a veil behind.
        steady &= np.append(steady[1:], True) & np.insert(steady[:-1], 0, True)
        steady &= ~_after_cloud(change)
        if steady.sum() < FEWEST:
            return
        times_s, stops, change = times_s[steady], stops[steady], change[steady]
        every = np.ones(len(self.mistakes), dtype=bool)
        said = Light(times_s, stops, change).log_evidence(self.heights_deg(times_s, every))
        self._by_light = said - said[0]

    def begin_part(self) -> None:
        """Keep what the track has said so far: another part of it begins."""
        self._ovals.begin_part()
        self._by_track_before = np.clip(self._by_track_before + self._by_track, -_TRACK_MOST, _TRACK_MOST)
        self._by_track = np.zeros(len(self.mistakes))

    def possible(self, doubt: SettingsDoubt) -> list[OtherSky]:
        """Return the skies of the mistakes that are not excluded."""
        return [self.skies[i] for i in np.flatnonzero(doubt.open_still(_POSSIBLE))]

    def likely_day(self, sun_ahead: SunPath, doubt: SettingsDoubt) -> SunUp:
        """Return when the sun is up in the coming time, by the settings or a mistake that is likely."""
        return self._day(sun_ahead, doubt, doubt.open_still(_LIKELY))

    def possible_day(self, sun_ahead: SunPath, doubt: SettingsDoubt) -> SunUp:
        """Return when it may be up, by whatever is not excluded."""
        return self._day(sun_ahead, doubt, doubt.open_still(_POSSIBLE))

    def _day(self, sun_ahead: SunPath, doubt: SettingsDoubt, which: Bools) -> SunUp:
        if doubt.contradicted:
            # What is wrong need not be what is listed: nobody knows when the sun is down.
            return sun_ahead.day.or_perhaps(np.ones(len(sun_ahead.times_s), dtype=bool))
        if sun_ahead.day.up.all() or not which.any():
            return sun_ahead.day
        line = HorizonLine(self._sun.site.horizon)
        heights = self.heights_deg(sun_ahead.times_s, which, line)
        return sun_ahead.day.or_perhaps(np.asarray((heights > 0).any(axis=0)))

    def heights_deg(self, times_s: Array, which: Bools, line: HorizonLine = _LEVEL) -> Array:
        """Return how high over a line the sun is at times (n,) by some of the mistakes, (j, n)."""
        across = np.array([one.across for one in self.mistakes])
        later_s = 3600 * np.array([[one.hours] for one in self.mistakes])
        found = np.empty((len(self.mistakes), len(times_s)))
        for sun, side in ((self._sun, which & ~across), (self._across, which & across)):
            altitude, azimuth = sun.altaz_deg(times_s + later_s[side])
            found[side] = altitude - line.altitude_deg(azimuth)
        return found[which]


def _enough_new(new: int, samples: int) -> bool:
    return new >= min(max(_NEW_SHARE * samples, 1), _NEW_MOST)


def _after_cloud(change: Array) -> Bools:
    """Return which of samples (n,) come so soon after cloud that they may be a gap or a veil."""
    cloudy = change >= _UNSTEADY_STOPS
    return np.asarray(np.convolve(cloudy, np.ones(_VEILED + 1))[: len(cloudy)] > 0)
