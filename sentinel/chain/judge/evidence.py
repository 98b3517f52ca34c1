"""Jobs and places as what incidents are told by, and as words are made from. Pure."""

from typing import Any

from sentinel.chain.judge.agenda import Job, Rise
from sentinel.chain.judge.details import Task
from sentinel.core.foreseen import Place


def task_of(job: Job) -> Task:
    """Return a job as an incident is told by it."""
    return Task(
        job=job.name,
        due_utc=job.due_utc,
        by_utc=job.by_utc if job.by_utc != job.due_utc else None,
        lasts_until_utc=job.lasts_until_utc,
        edge=job.edge,
        outlived=job.outlived,
        limit="hour-angle" if job.hour_angle else None,
        recentre_utc=job.recentre_utc,
        **placed(job.place),
        **rising(job.rise),
    )


def placed(place: Place | None) -> dict[str, Any]:
    """Return the fields of `Placed` for a place; none: nowhere."""
    if place is None:
        return {}
    turn = place.turn
    return {
        "put_turn_utc": turn.at_utc if turn is not None else None,
        "put_turn_edge": turn.edge if turn is not None else None,
        "put_turn_widths": round(turn.widths, 2) if turn is not None else None,
        "put_at_utc": place.at_utc,
        "put_right_widths": round(place.right_widths, 2),
        "put_up_widths": round(place.up_widths, 2),
        "put_gap_edge": place.gap_edge,
        "put_gap_widths": round(place.gap_widths, 2),
        "put_tolerance_widths": round(place.tolerance_widths, 2),
        "put_holds_until_utc": place.holds_until_utc,
    }


def rising(rise: Rise | None) -> dict[str, Any]:
    """Return those for where the disc comes up; none: not known."""
    if rise is None:
        return {}
    return {
        "rise_right_widths": round(rise.right_widths, 2),
        "rise_up_widths": round(rise.up_widths, 2),
        "rise_out_widths": round(rise.out_widths, 2),
        "rise_edge": rise.edge,
    }
