"""One session judged again and again on known forecasts: only where other thresholds may decide otherwise."""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from sentinel.chain.pipeline import Pipeline, PipelineState
from sentinel.core.records import Event, Forecast, Outcome
from sentinel.core.settings import Settings
from sentinel.jobs.tune.decisions import Decisions
from sentinel.jobs.tune.episodes import SessionEpisodes, episodes_of
from sentinel.jobs.tune.grid import SWEPT, Value, changed

Step = tuple[Event, datetime, Forecast | None]
"""An event, when it is taken up, and the forecast made of it."""

_STRIDE = 32
"""Events between two states that are kept: each difference is judged from the last one before it."""


class Rejudging:
    """A session as judged under its own settings, and all that it takes to tell what others would say.

    Until a comparison falls otherwise everything goes as it did, and once the judge's state is again what it
    was at that event, it goes on so. What lies between is judged; the result is that of judging the whole.
    """

    def __init__(self, settings: Settings, steps: Sequence[Step]) -> None:
        self.settings, self.steps = settings, tuple(steps)
        self._pipeline: Pipeline | None = None
        self._outcomes: dict[int, Outcome] = {}
        """What came of an event, where anything did."""
        self._states: list[PipelineState] = []
        pipeline = self._under(settings)
        for place in range(len(self.steps)):
            if place % _STRIDE == 0:
                self._states.append(pipeline.state)
            self._judge(pipeline, place, self._outcomes)
        self._bounds = self._noted().bounds()

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what is made anew from the settings."""
        return self.__dict__ | {"_pipeline": None}

    @property
    def said(self) -> SessionEpisodes:
        """What is said under the session's own settings."""
        return self._episodes(self._outcomes)

    def under(self, changes: Mapping[str, Value]) -> SessionEpisodes:
        """Return what is said with some thresholds changed."""
        passed = [self._bounds[name].passed_by(value) for name, value in changes.items()]
        differing: list[int] = np.unique(np.concatenate(passed)).tolist() if passed else []
        if not differing:
            return self.said
        thresholds = changed(self.settings.thresholds, changes)
        pipeline = self._under(self.settings.model_copy(update={"thresholds": thresholds}))
        outcomes, place = dict(self._outcomes), 0
        while (nearest := bisect_left(differing, place)) < len(differing):
            place = self._judge_from(pipeline, differing[nearest], outcomes)
        return self._episodes(outcomes)

    def _judge_from(self, pipeline: Pipeline, differing: int, outcomes: dict[int, Outcome]) -> int:
        """Judge from before a differing event until all is as it was; return where that is."""
        kept = differing // _STRIDE
        pipeline.go_on_from(self._states[kept])
        place = kept * _STRIDE
        while place < len(self.steps):
            kept, since = divmod(place, _STRIDE)
            if since == 0 and place > differing and pipeline.state.decides_as(self._states[kept]):
                break
            self._judge(pipeline, place, outcomes)
            place += 1
        return place

    def _judge(self, pipeline: Pipeline, place: int, outcomes: dict[int, Outcome]) -> None:
        event, now_utc, forecast = self.steps[place]
        outcome = pipeline.step_with(event, forecast, now_utc)
        if outcome.incidents or outcome.alerts:
            outcomes[place] = outcome
        else:
            outcomes.pop(place, None)

    def _under(self, settings: Settings) -> Pipeline:
        """Return a fresh judging; what is known of the sky is shared by all."""
        start_utc = self.steps[0][1]
        if self._pipeline is None:
            self._pipeline = Pipeline(self.settings, start_utc)
        return self._pipeline.like(settings, start_utc)

    def _noted(self) -> Decisions:
        """Judge once more, to see what each event hangs on."""
        decisions = Decisions(self.settings.thresholds, (one.name for one in SWEPT))
        pipeline = self._under(self.settings.model_copy(update={"thresholds": decisions.thresholds}))
        for place, (event, now_utc, forecast) in enumerate(self.steps):
            before = pipeline.state

            def step() -> None:
                pipeline.go_on_from(before)  # noqa: B023 - called before the loop goes on
                outcome = pipeline.step_with(event, forecast, now_utc)  # noqa: B023
                # What is told of a threshold is read off it.
                repr(outcome.incidents)

            decisions.note(place, step)
        return decisions

    def _episodes(self, outcomes: Mapping[int, Outcome]) -> SessionEpisodes:
        def in_order() -> Iterator[tuple[Outcome, datetime]]:
            for place in sorted(outcomes):
                yield outcomes[place], self.steps[place][1]

        return episodes_of(in_order())
