"""A scenario file -> a session's folder: frames or measurements, settings, truth."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from sentinel.chain.intake.process_pool import cores
from sentinel.chain.intake.workers import working
from sentinel.core.errors import Problem
from sentinel.core.files import made_folder, refuse_used, replaced, write_text_whole
from sentinel.core.tables import write_ecsv, write_measurements
from sentinel.core.times import format_utc, from_utc_s
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.simulate.events import Recentre
from sentinel.jobs.simulate.exposures import exif_of, orientations
from sentinel.jobs.simulate.files import Exif, FileFormat, Tint, write_picture
from sentinel.jobs.simulate.picture import scene_of, tint_of
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.scene import Scene
from sentinel.jobs.simulate.synthesize import SessionPlan, measured, plan_session
from sentinel.sky.refraction import air_mass

_POOL_PAYS_FROM = 24  # frames; starting a worker costs as much as rendering a few


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """What was written."""

    out: Path
    frames: int
    found: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    path: Path
    scene: Scene
    exif: Exif
    tint: Tint
    file_format: FileFormat
    quality: int


def simulate(
    scenario: Scenario,
    out: Path,
    *,
    frames: bool = True,
    progress: Progress = silent,
    workers: int | None = None,
) -> Simulated:
    """Make a session from a scenario.

    `out`: a folder that is empty or not there yet.
    `frames`: render frames; False: write `measurements.ecsv` instead. The truth lies beside either.
    `workers`: how many processes render; None: as many as there are processors to use.
    Raises `RequestProblem` if `out` holds something already or cannot be created.
    """
    refuse_used(out, mend="give a new or an empty folder")
    work = plan_session(scenario)
    write_text_whole(made_folder(out) / "config.yaml", config_text(scenario))
    marks = marks_text(scenario)
    if marks:
        write_text_whole(out / "marks.jsonl", marks)
    if frames:
        _write_frames(_jobs(work, out), progress, workers)
    else:
        write_measurements(out / "measurements.ecsv", measured(work))
    write_truth(out / "truth.ecsv", work)
    return Simulated(out=out, frames=len(work.taken.names), found=int(work.seen.found.sum()))


def config_text(scenario: Scenario) -> str:
    """Return settings under which the session is watched, as the operator would have written them."""
    camera, mount = scenario.camera, scenario.mount
    content: dict[str, Any] = {
        "site": {**scenario.site.model_dump(exclude={"horizon"})},
        "camera": {
            "name": camera.name,
            "focal_length_mm": camera.focal_length_mm,
            "pixel_pitch_um": camera.pixel_pitch_um,
            "interval_s": camera.interval_s,
            "clock_offset_s": camera.clock_offset_s if camera.clock_offset_known else 0.0,
        },
        "mount": {
            "tracking": mount.tracking,
            "axis_limit_deg": mount.axis_limit_deg,
            "axis_start_deg": mount.axis_start_deg,
        },
        "frames": {"folder": ".", "patterns": [f"*.{camera.file_format}"]},
    }
    if scenario.site.horizon:
        content["site"]["horizon"] = [list(pair) for pair in scenario.site.horizon]
    if mount.hour_angle_limit_deg is not None:
        content["mount"]["hour_angle_limit_deg"] = list(mount.hour_angle_limit_deg)
    head = "# Settings of an invented session, made by `sentinel simulate`.\n"
    return head + yaml.safe_dump(content, sort_keys=False, default_flow_style=None)


def marks_text(scenario: Scenario) -> str:
    """Return the marks that the operator made, a JSON object a line; empty where none were."""
    lines = []
    for event in scenario.events_of(Recentre):
        if event.marked:
            time_utc = format_utc(from_utc_s(scenario.seconds(event.at)))
            kinds = ("unwound", "recentred") if event.unwound else ("recentred",)
            lines += [json.dumps({"time_utc": time_utc, "kind": kind, "text": ""}) for kind in kinds]
    return "".join(f"{line}\n" for line in lines)


def write_truth(path: Path, work: SessionPlan) -> None:
    """Write where the disc truly is in each frame, at the true time."""
    truth = work.truth
    columns: dict[str, list[Any]] = {
        "frame": list(work.taken.names),
        "time_utc": [format_utc(from_utc_s(t)) for t in truth.utc_s.tolist()],
        "x_px": truth.x_px.round(4).tolist(),
        "y_px": truth.y_px.round(4).tolist(),
        "radius_px": truth.radius_px.round(4).tolist(),
        "found": work.seen.found.tolist(),
    }
    camera = work.scenario.camera
    meta = {"frame_width_px": camera.width_px, "frame_height_px": camera.height_px}
    write_ecsv(path, list(columns), zip(*columns.values(), strict=True), meta=meta)


def write_exposure(work: SessionPlan, i: int, path: Path) -> None:
    """Render and write exposure `i` of a scenario that is worked out; the file appears whole."""
    _write_frame(_job(work, i, path, orientations(work.truth.zenith_deg)))


def _jobs(work: SessionPlan, out: Path) -> list[_Job]:
    tags = orientations(work.truth.zenith_deg)
    return [_job(work, i, out / name, tags) for i, name in enumerate(work.taken.names)]


def _job(work: SessionPlan, i: int, path: Path, tags: Sequence[int]) -> _Job:
    scenario, camera = work.scenario, work.scenario.camera
    exif = exif_of(scenario, work.taken, i, tags[i])
    stamped = f"{exif.taken:%Y-%m-%d %H:%M:%S}" if camera.caption else ""
    mass = float(air_mass(work.truth.altitude_deg[i : i + 1])[0])
    return _Job(
        path=path,
        scene=scene_of(scenario, work.truth, work.state, i, stamped),
        exif=exif,
        tint=tint_of(scenario, mass, filtered=not work.state.filter_lost[i]),
        file_format=camera.file_format,
        quality=camera.quality,
    )


def _write_frames(jobs: list[_Job], progress: Progress, workers: int | None) -> None:
    """Render and write frames."""
    for folder in {job.path.parent for job in jobs}:
        folder.mkdir(parents=True, exist_ok=True)
    workers = cores() if workers is None else workers
    if workers <= 1 or len(jobs) < _POOL_PAYS_FROM:
        for _ in reported(map(_write_frame, jobs), "rendering", len(jobs), progress):
            pass
        return
    with working(_try_frame, _lost, most=workers) as pool:
        for refusal in reported(pool.results(jobs), "rendering", len(jobs), progress):
            if refusal is not None:
                raise refusal


def _write_frame(job: _Job) -> None:
    """Render and write one frame."""
    linear = render(job.scene)
    with replaced(job.path) as path:
        write_picture(path, linear, job.exif, job.file_format, tint=job.tint, quality=job.quality)


def _try_frame(job: _Job) -> OSError | None:
    """Do the same in a process of its own; return what the system refused."""
    try:
        _write_frame(job)
    except OSError as error:
        return error
    return None


def _lost(job: _Job, reason: str) -> OSError | None:
    raise Problem(f"cannot be rendered ({reason})", where=str(job.path), mend="free memory, then try again")
