"""Jobs and places as JSON values: for the evidence of an incident, and for words. Pure."""

from typing import Any

from sentinel.chain.judge.jobs import Job
from sentinel.chain.judge.nights import Rise
from sentinel.core.foreseen import Place
from sentinel.core.times import format_utc


def evidence(job: Job) -> dict[str, Any]:
    """Return a job as JSON values, for the evidence of an incident and for words."""
    told: dict[str, Any] = {"job": job.name, "due_utc": format_utc(job.due_utc)}
    if job.by_utc != job.due_utc:
        told["by_utc"] = format_utc(job.by_utc)
    if job.lasts_until_utc is not None:
        told["lasts_until_utc"] = format_utc(job.lasts_until_utc)
    if job.edge is not None:
        told["edge"] = job.edge
    if job.outlived:
        told["outlived"] = True
    if job.hour_angle:
        told["limit"] = "hour-angle"
    if job.recentre_utc is not None:
        told["recentre_utc"] = format_utc(job.recentre_utc)
    return told | place_evidence(job.place) | rise_evidence(job.rise)


def place_evidence(place: Place | None) -> dict[str, Any]:
    """Return where the disc is to be put, as JSON values; empty: nowhere."""
    if place is None:
        return {}
    holds, turn = place.holds_until_utc, place.turn
    turns = (
        {}
        if turn is None
        else {
            "put_turn_utc": format_utc(turn.at_utc),
            "put_turn_edge": turn.edge,
            "put_turn_widths": round(turn.widths, 2),
        }
    )
    return turns | {
        "put_at_utc": format_utc(place.at_utc),
        "put_right_widths": round(place.right_widths, 2),
        "put_up_widths": round(place.up_widths, 2),
        "put_gap_edge": place.gap_edge,
        "put_gap_widths": round(place.gap_widths, 2),
        "put_tolerance_widths": round(place.tolerance_widths, 2),
        "put_holds_until_utc": None if holds is None else format_utc(holds),
    }


def rise_evidence(rise: Rise | None) -> dict[str, Any]:
    """Return where the disc comes up, as JSON values; empty: not known."""
    if rise is None:
        return {}
    return {
        "rise_right_widths": round(rise.right_widths, 2),
        "rise_up_widths": round(rise.up_widths, 2),
        "rise_out_widths": round(rise.out_widths, 2),
        "rise_edge": rise.edge,
    }
