"""The one object of this room: events in, forecasts out. No clock, no I/O, bounded memory."""

from collections import deque
from dataclasses import replace
from datetime import datetime

import numpy as np

from sentinel.chain.forecast.departure import departure_of
from sentinel.chain.forecast.discs import Discs, TrackedDisc, tracked_disc
from sentinel.chain.forecast.ensemble import Ensemble
from sentinel.chain.forecast.estimate import Estimator
from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.expected_path import BEFORE_S, EXPECTED_S, expected_path
from sentinel.chain.forecast.halts import ROLL_SURE, Halts, halt_between
from sentinel.chain.forecast.inputs import PERHAPS_CHANGED_SHARE, Inputs
from sentinel.chain.forecast.nodes import (
    CHANGED,
    PAUSED,
    REBUILT,
    Carryover,
    Nodes,
    after_a_move,
    every_node,
    nodes_after,
)
from sentinel.chain.forecast.past_forecasts import PastForecasts
from sentinel.chain.forecast.place_and_clock import PlaceAndClock
from sentinel.chain.forecast.pointing import likeliest_mount, standing_px
from sentinel.chain.forecast.rates import changed_rates, first_rates
from sentinel.chain.forecast.renewal import Renewal
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS
from sentinel.chain.forecast.rolls import TOLD_ROLL, Pause, pause_in, roll_of_top
from sentinel.chain.forecast.scale import Scale
from sentinel.chain.forecast.summary import summary, without_disc
from sentinel.chain.forecast.sun_path import SunPath, sun_path
from sentinel.chain.forecast.visits import SuppliesUsed
from sentinel.chain.forecast.zenith import ZenithSeen
from sentinel.chain.track.runs import Part
from sentinel.chain.track.state import Track
from sentinel.core.foreseen import PathPoint
from sentinel.core.records import Event, Forecast, Mark, MeasuredFrame, Surroundings
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S, utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

HISTORY_S = 1800.0
BACKLASH_S, BACKLASH_ARCSEC = 600.0, 120.0
FAR_PX = 1e7
UNSURE_S = 600.0
"""A change of the drift is dated no better."""
FORGOTTEN_S = 10 * DAY_S
"""After so long without a frame it is another session, or the clock was wrong."""


class Forecaster:
    """Takes measured frames, ticks and marks in any order; says until when the camera may be left alone.

    The same events fed in the same order, with the same tracks, give the same forecasts: nothing else enters.
    `look` changes nothing.
    """

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self._settings = settings
        self._in_pause: list[TrackedDisc] = []
        self._sun = sun
        self._nominal = settings.camera.scale_arcsec_px
        self._size: tuple[int, int] | None = None
        self._used: SuppliesUsed | None = None
        self._place_and_clock = PlaceAndClock(settings.site, sun)
        self._start_over()
        self._renewal = Renewal()
        self._slack_until_s = self._frame_s = -np.inf
        self._steps: deque[float] = deque(maxlen=31)

    def _start_over(self) -> None:
        """Forget the mount: its axis was realigned, or the frames are another camera's."""
        self._scale = Scale(self._nominal)
        self._discs = Discs()
        self._departed_s: float | None = None
        self._estimator = Estimator(self._settings.site, self._sun, self._first_nodes())
        self._draws: Ensemble | None = None
        self._exit_s: float | None = None
        self._path: tuple[PathPoint, ...] = ()
        self._path_from: TrackedDisc | None = None
        self._past = PastForecasts()
        self._halts = Halts()
        self._out_since_s: float | None = None
        self._changed_s: float | None = None
        self._roll_told = self._settings.mount.picture_top is not None

    def _first_nodes(self) -> Nodes:
        mount, site = self._settings.mount, self._settings.site
        roll = USUAL_ROLLS
        if mount.picture_top is not None:
            roll = TOLD_ROLL.about(roll_of_top(mount.picture_top, southern=site.latitude_deg < 0))
        return every_node(first_rates(mount.tracking), site.latitude_deg, roll)

    def _begin_anew(self, since: Carryover, until_s: float = np.inf) -> None:
        """Fit what comes by itself: its prior is what the track before it had told by a time."""
        self._place_and_clock.begin_part()
        self._past = PastForecasts()
        told = self._estimator.learnt(until_s)
        if told is not None:
            nodes = nodes_after(
                told, changed_rates(self._settings.mount.tracking), self._settings.site.latitude_deg, since
            )
            self._estimator = self._estimator.begun_anew(nodes)

    def feed(self, event: Event, now_utc: datetime, track: Track) -> Forecast | None:
        """Take one event, and what the disc does by then; return the forecast that it renews, else None."""
        if self._used is None or (isinstance(event, MeasuredFrame) and self._frame_s == -np.inf):
            # Until the first picture neither camera nor drive need have been at work.
            self._used = SuppliesUsed.begun(utc_s(event.time_utc), self._settings, self._used)
        now = utc_s(now_utc)
        surprise = False
        if isinstance(event, Mark):
            surprise = self._take_mark(event)
        elif isinstance(event, MeasuredFrame):
            surprise = self._take_frame(event, track)
        elif isinstance(event, Surroundings):
            self._used = self._used.with_disk_space(event)
        if self._discs.last is None:
            return None
        is_frame, at = isinstance(event, MeasuredFrame), utc_s(event.time_utc)
        # History that pours in is gone through as of its own time; what was to come then is no news.
        history = is_frame and now - at > HISTORY_S
        moment = at if history else now
        last = self._discs.last
        due = is_frame and self._renewal.is_due(
            moment,
            self._interval_s,
            first_s=self._discs.first_utc_s,
            # Of a disc that is seen to be over the edge more forecasts tell nothing.
            seen_s=last.utc_s if self._out_since_s is None else -np.inf,
            astray=self._departed_s is not None,
        )
        due = due or (not is_frame and self._renewal.is_due_idle(moment))
        if not (surprise or due):
            return None
        self._renewal.made_s = moment
        sun_ahead = sun_path(self._settings, self._sun, moment)
        self._draws, tracks = self._fitted(sun_ahead, keep=True)
        self._place_and_clock.weigh(moment, self._estimator.evidence)
        if history:
            return None
        forecast = self._outlook(now_utc, sun_ahead, self._draws, tracks)
        if forecast.exit.median_utc is not None:
            self._exit_s = utc_s(forecast.exit.median_utc)
        early = forecast.exit.early_utc
        self._renewal.early_s = np.inf if early is None else utc_s(early)
        return forecast

    def look(self, now_utc: datetime) -> Forecast:
        """Return the forecast as of now; what `feed` returns later does not change by it."""
        now = utc_s(now_utc)
        if self._discs.last is None:
            return without_disc(self._settings, self._used, now_utc, now)
        unrest, sun_ahead = self._discs.unrest, sun_path(self._settings, self._sun, now)
        try:
            return self._outlook(now_utc, sun_ahead, *self._fitted(sun_ahead, keep=False))
        finally:
            self._discs.unrest = unrest

    def _take_mark(self, mark: Mark) -> bool:
        if self._used is not None:
            self._used = self._used.marked(mark, self._settings.mount)
        if mark.kind == "unwound":
            self._slack_until_s = utc_s(mark.time_utc) + BACKLASH_S
        self._halts = self._halts.after_mark(mark)
        return mark.kind == "unwound" or mark.renews is not None

    def _take_frame(self, frame: MeasuredFrame, track: Track) -> bool:
        """Take a frame; return whether it was a surprise."""
        at = utc_s(frame.time_utc)
        if self._used is not None:
            self._used = self._used.taken()
        if at > self._frame_s:
            if at - self._frame_s > FORGOTTEN_S and np.isfinite(self._frame_s):
                self._start_over()
            elif np.isfinite(self._frame_s):
                self._steps.append(at - self._frame_s)
            self._frame_s = at
        if not track.own:
            return False
        size = (frame.width_px, frame.height_px)
        if track.part.number != self._discs.part and (
            track.part.cause == "realigned" or self._size not in {None, size}
        ):
            self._start_over()
        self._size = size
        self._place_and_clock.see(frame)
        disc = self._tracked_disc(frame, at)
        if disc is None:
            return False
        self._watch_edge(disc)
        return self._follow(frame, disc, track)

    def _follow(self, frame: MeasuredFrame, disc: TrackedDisc, track: Track) -> bool:
        """Take a disc into the part that it belongs to; return whether it was a surprise."""
        discs = self._discs
        if discs.last is not None and disc.utc_s <= discs.last.utc_s:
            discs.take_late(disc, self._scale.arcsec_px)
            return False
        surprise = discs.last is None
        if self._scale.learn(frame.disc, disc, self._sun):
            # Another lens: what was seen in other pixels is of no use.
            discs.begin_part(track.part.number, disc.utc_s)
            self._begin_anew(REBUILT)
            surprise = True
        discs.waiting.append(disc)
        if track.part.number != discs.part:
            self._begin_part(track.part)
            surprise = True
        if track.followed:
            discs.take(disc)
        fled = track.departed_s is not None and self._departed_s is None
        self._departed_s = track.departed_s
        return surprise or fled

    def _begin_part(self, part: Part) -> None:
        """Begin another part of the track, where the follower says that it began."""
        discs = self._discs
        self._halts = self._halts_by(part)
        pause = self._pause_before(part)
        if pause is not None:
            # It belongs to the part that it ends: what that part has left open it decides.
            self._fit(pause.begin_s, keep=True, pause=pause)
            self._roll_told = True
        discs.begin_part(part.number, part.began_s)
        until_s = np.inf
        if part.cause == "drift":
            self._changed_s = part.began_s if part.since_s is None else part.since_s
            # On both sides of a change any roll fits as badly: which fits less badly tells nothing of it.
            until_s = self._changed_s - UNSURE_S
        since = {"drift": CHANGED, "mended": CHANGED, "camera": REBUILT}
        put = PAUSED if pause is not None and pause.is_short else after_a_move(told=part.told)
        self._begin_anew(since.get(part.cause, put), until_s)
        self._in_pause = []

    def _pause_before(self, part: Part) -> Pause | None:
        """Return the pause of the drive that ended the present part, None where none did."""
        discs, stood = self._discs, self._in_pause
        if self._draws is None or not (stood or self._departed_s is not None):
            return None
        ran = [d for d in discs.waiting if d.utc_s < part.began_s]
        first = [d for d in discs.waiting if d.utc_s >= part.began_s][:1]
        return pause_in(
            self._sun,
            likeliest_mount(self._draws),
            stood or [*([discs.last] if discs.last is not None else []), *ran, *first],
            self._scale.arcsec_px,
            jitter_arcsec=discs.unrest.jitter_arcsec,
            told=bool(stood),
        )

    def _halts_by(self, part: Part) -> Halts:
        """Return the halts of the drive with that which ended the present part, if one did."""
        discs, draws = self._discs, self._draws
        first = next((disc for disc in discs.waiting if disc.utc_s >= part.began_s), None)
        if draws is None or discs.last is None or first is None or part.cause == "drift":
            return self._halts
        seconds, lead = first.utc_s - discs.last.utc_s, likeliest_mount(draws)
        x, y = np.median(self._tracks_px(draws, discs.last.utc_s, np.array([0.0, seconds])), axis=2)
        halt = halt_between(
            discs.last,
            first,
            complex(x[1] - x[0], y[1] - y[0]),
            standing_px(self._sun, lead, discs.last.utc_s, first.utc_s, self._scale.arcsec_px),
            discs.unrest.jitter_arcsec / self._scale.arcsec_px,
            either_way=lead.roll_share < ROLL_SURE,
        )
        return self._halts.after_visit() if halt is None or part.told else self._halts.after(halt)

    def take_pause(self, frame: MeasuredFrame) -> None:
        """Take a frame while the drive stands, as somebody says: it shows how the camera sits."""
        disc = self._tracked_disc(frame, utc_s(frame.time_utc))
        if disc is not None:
            self._in_pause.append(disc)

    def _tracked_disc(self, frame: MeasuredFrame, at: float) -> TrackedDisc | None:
        slack_px = BACKLASH_ARCSEC / self._scale.arcsec_px if at < self._slack_until_s else 0.0
        return tracked_disc(frame, self._sun, slack_px)

    def _watch_edge(self, disc: TrackedDisc) -> None:
        room = self._frame.room_px(np.array(disc.x_px), np.array(disc.y_px), disc.radius_px).min()
        if room > 0:
            self._out_since_s = None
        elif self._out_since_s is None:
            self._out_since_s = disc.utc_s

    @property
    def _frame(self) -> Frame:
        width, height = self._size or (0, 0)
        return Frame(width, height, self._settings.frames.margin_px)

    @property
    def _interval_s(self) -> float:
        return float(np.median(self._steps)) if len(self._steps) >= 5 else self._settings.camera.interval_s

    def _fitted(self, sun_ahead: SunPath, *, keep: bool) -> tuple[Ensemble, Array]:
        """Return draws from a fit to the track as of now, and their coming tracks (2, n, draws) in pixels.

        Where `keep`, the next fit goes on from this one.
        """
        discs = self._discs
        if self._departed_s is not None and self._draws is not None:
            return self._draws, self._tracks_px(self._draws, sun_ahead.now_s, sun_ahead.offsets_s)
        draws = self._fit(sun_ahead.now_s, keep=keep)
        if not keep:
            return draws, self._tracks_px(draws, sun_ahead.now_s, sun_ahead.offsets_s)
        both = self._tracks_px(draws, sun_ahead.now_s, np.concatenate([BEFORE_S, sun_ahead.offsets_s]))
        if discs.last is not self._path_from:
            # While nothing is seen the old path stands: it begins where the last disc was.
            near = len(BEFORE_S) + int(np.searchsorted(sun_ahead.offsets_s, EXPECTED_S))
            times_s = np.concatenate([sun_ahead.now_s + BEFORE_S, sun_ahead.times_s])
            self._path = expected_path(times_s[:near], both[:, :near], len(BEFORE_S), self._scale.arcsec_px)
            self._path_from = discs.last
            if discs.last is not None:
                self._past.prove(discs.last, self._scale.arcsec_px, discs.unrest.jitter_arcsec)
                self._past.keep(sun_ahead.now_s, self._path)
        return draws, both[:, len(BEFORE_S) :]

    def _fit(self, now_s: float, *, keep: bool, pause: Pause | None = None) -> Ensemble:
        """Fit the track of the present part; where `keep`, the next fit goes on from this one."""
        discs, scale = self._discs, self._scale.arcsec_px
        arc = discs.bins.arc()
        discs.renew_unrest(scale)
        moved, unrest = discs.unrest_of(arc, self._interval_s)
        covariance = np.diag((arc.sigma_px * scale) ** 2) + unrest
        middle_px = np.array(self._frame.middle_px)
        xy = (arc.xy_px - middle_px) * scale - moved
        periodic_error = discs.unrest.periodic_error
        roll_form = None if periodic_error is None else periodic_error.roll_form()
        zenith = ZenithSeen.of(arc, middle_px, discs.last.radius_px) if discs.last is not None else None
        return self._estimator.fit(
            arc, xy, covariance, now_s, roll_form=roll_form, pause=pause, zenith=zenith, keep=keep
        )

    def _tracks_px(self, draws: Ensemble, now_s: float, offsets_s: Array) -> Array:
        tracks: Array = np.stack(draws.tracks_arcsec(now_s, offsets_s)) / self._scale.arcsec_px
        tracks += np.array(self._frame.middle_px)[:, None, None]
        # Behind a camera that stands still there is no place in the picture: far out.
        return np.nan_to_num(tracks, copy=False, nan=FAR_PX).clip(-FAR_PX, FAR_PX, out=tracks)

    def _outlook(self, now_utc: datetime, sun_ahead: SunPath, draws: Ensemble, tracks_px: Array) -> Forecast:
        discs = self._discs
        if discs.last is None or self._used is None:
            raise ValueError("no disc has been seen yet")
        doubt = self._place_and_clock.doubt(roll_told=self._roll_told)
        possible_day = self._place_and_clock.possible_day(sun_ahead, doubt)
        skies = self._place_and_clock.possible(doubt)
        others = self._estimator.under_other_skies(skies, roll_told=doubt.roll_told)
        sun_ahead = replace(sun_ahead, day=self._place_and_clock.likely_day(sun_ahead, doubt))
        suspects = [one for one in discs.waiting if one.utc_s >= (self._departed_s or np.inf)]
        now_s, offsets_s, halts = sun_ahead.now_s, sun_ahead.offsets_s, self._halts
        scale = self._scale.arcsec_px
        inputs = Inputs(
            settings=self._settings,
            sun=self._sun,
            frame=self._frame,
            scale_arcsec_px=scale,
            used=self._used,
            interval_s=self._interval_s,
            draws=draws,
            sun_ahead=sun_ahead,
            tracks_px=halts.added_to(tracks_px, now_s, offsets_s),
            misses=self._past.misses,
            periodic_error=discs.unrest.periodic_error,
            last=discs.last,
            arc_h=(discs.last.utc_s - discs.first_utc_s) / 3600,
            stretches=discs.parts,
            no_whole_disc=not self._scale.whole_seen,
            departure=departure_of(
                self._sun,
                draws,
                suspects,
                self._departed_s,
                discs.unrest.jitter_arcsec,
                self._scale.arcsec_px,
            ),
            out_since_s=self._out_since_s,
            expected_exit_s=self._exit_s,
            changed_s=self._changed_s,
            halting_since_s=halts.since_s(now_s),
            settings_doubt=doubt,
            axis_before_deg=self._axis_before_deg(draws),
            possible_day=possible_day,
            possible_px=tuple(
                halts.added_to(self._tracks_px(one, now_s, offsets_s), now_s, offsets_s) for one in others
            ),
        )
        return replace(summary(inputs, now_utc), path=self._path)

    def _axis_before_deg(self, draws: Ensemble) -> tuple[float, float] | None:
        """Return where the axis was before the drift changed within the present part; None: it has not."""
        changed_s = draws.changed_s(PERHAPS_CHANGED_SHARE)
        told = None if changed_s is None else self._estimator.learnt(changed_s - UNSURE_S)
        return None if told is None else told.likeliest_axis_deg
