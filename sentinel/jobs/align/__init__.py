"""Aligning the mount by day: a job that stands beside the watch."""

from sentinel.jobs.align.advice import alignment_json, alignment_lines
from sentinel.jobs.align.axis import Alignment, align
from sentinel.jobs.align.request import hold_of, pause_of, with_top

__all__ = ["Alignment", "align", "alignment_json", "alignment_lines", "hold_of", "pause_of", "with_top"]
