"""Hand-made sessions for tuning: a judge's watch with its forecasts, ready to be judged again."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import yaml

from sentinel.chain.pipeline import Pipeline
from sentinel.core.records import Forecast, Mark, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.tables import write_measurements
from sentinel.jobs.tune.episodes import SessionEpisodes, episodes_of
from sentinel.jobs.tune.reading import prepared
from sentinel.jobs.tune.rejudging import Step
from sentinel.jobs.tune.scoring import TrueEvent
from sentinel.jobs.tune.trial import PreparedSession
from tests.judge.tracks import Watch


def steps_of(watch: Watch) -> tuple[Step, ...]:
    steps: list[Step] = []
    for event, now in watch.log:
        if isinstance(event, Forecast):
            before, at, _ = steps.pop()
            steps.append((before, at, event))
        else:
            steps.append((event, now, None))
    return tuple(steps)


def judge_session(settings: Settings, steps: Sequence[Step]) -> SessionEpisodes:
    """Return what judging a whole session comes to, with nothing left out."""
    pipeline = Pipeline(settings, steps[0][1])
    return episodes_of((pipeline.step_with(event, made, now), now) for event, now, made in steps)


def known_of(watch: Watch, name: str = "a", truth: tuple[TrueEvent, ...] | None = None) -> PreparedSession:
    return prepared(name, watch.settings, steps_of(watch), truth)


def dark_spells(*minutes: int, visited: int = 0, seed: int = 0, between: int = 20) -> Watch:
    """Return a watch whose sun goes black for spells that end by themselves, then for one that is mended."""
    watch = Watch(seed=seed)
    watch.frames(between)
    for spell in minutes:
        watch.frames(spell, found=False)
        watch.frames(between)
    if visited:
        watch.frames(visited, found=False)
        watch.mark("visit", minutes=5.0)
        watch.frames(20)
    return watch


def written(watch: Watch, folder: Path, **thresholds: float) -> Path:
    """Write a watch's frames and marks as a session on disk."""
    folder.mkdir()
    frames = [event for event, _ in watch.log if isinstance(event, MeasuredFrame)]
    write_measurements(folder / "measurements.ecsv", frames)
    content: dict[str, Any] = {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 3.92},
        "mount": {"axis_limit_deg": None},
    }
    if thresholds:
        content["thresholds"] = thresholds
    (folder / "config.yaml").write_text(yaml.safe_dump(content))
    marks = [event for event, _ in watch.log if isinstance(event, Mark)]
    lines = [f'{{"time_utc": "{m.time_utc.isoformat()}", "kind": "{m.kind}"}}\n' for m in marks]
    (folder / "marks.jsonl").write_text("".join(lines))
    return folder
