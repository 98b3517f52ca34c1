"""An evening and a night with the program, as its operator reads it; written anew for a person to read aloud.

python tests/conversation.py > tests/conversation.txt

The place is at 60 degrees north in June, where the sun is down for five hours. The forecasts are given: what
is held still here is what is said of them. The pictures are numbers made up beside them.
"""

import re
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from math import cos, radians, sin
from pathlib import Path

import yaml

sys.path.insert(0, str(Path(__file__).parents[1]))

from sentinel.chain.judge.nights import night_of
from sentinel.chain.pipeline import Pipeline
from sentinel.core.foreseen import Due, Place
from sentinel.core.records import (
    Alert,
    Disc,
    Event,
    Forecast,
    Incident,
    Mark,
    MarkKind,
    MeasuredFrame,
    Outcome,
)
from sentinel.core.settings import validate
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.align import align, alignment_lines
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.record import read_record
from sentinel.jobs.report.sentences import facts, sentences
from sentinel.jobs.report.summary import summarise, summary_lines
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.session_facts import keep_settings
from sentinel.service.status.board import Board
from sentinel.service.status.lines import status_lines, until_lines
from sentinel.service.status.making import standing_of
from sentinel.service.watch.checkup import check
from tests.forecasts import foreseen

YAML = """
site: {latitude_deg: 60.0, longitude_deg: 12.0}
camera: {focal_length_mm: 400.0, pixel_pitch_um: 3.92}
mount: {axis_limit_deg: 360.0, picture_top: pole}
supplies: {camera_battery_h: 14.0}
sleep: {from_utc: "21:30", until_utc: "05:30"}
alerts: {zone: Europe/Oslo, digest_utc: ["18:00", "06:00"]}
"""
SETTINGS = validate(yaml.safe_load(YAML), where="conversation")
BEGIN = datetime(2027, 6, 21, 15, 0, tzinfo=UTC)
BATTERY = BEGIN + timedelta(hours=14)
SKY_PX_MIN = 408.5
"""How fast the disc goes on a mount that stands, on this lens at the solstice."""


class Evening:
    """The program, its operator, and what both say."""

    def __init__(self) -> None:
        self.pipeline = Pipeline(SETTINGS, BEGIN)
        self.board, self.now = Board(), BEGIN
        night = night_of(SETTINGS.site, utc_s(BEGIN))
        assert night is not None
        self.sets, self.rises = from_utc_s(round(night.sets_s)), from_utc_s(round(night.rises_s))
        self.battery, self.placed = BATTERY, False
        self.x, self.y, self.runs = 3000.0, 2000.0, False
        self.count, self.lines = 0, list[str]()
        self.frames, self.incidents, self.alerts = list[MeasuredFrame](), list[Incident](), list[Alert]()
        self.marks, self.seen_utc, self.stopped_utc = list[Mark](), BEGIN, BEGIN
        self.happened = list[tuple[Event, datetime, Outcome]]()

    # What happens.

    def forecast(self) -> Forecast:
        due = [Due(time_utc=self.battery, reason="battery"), Due(time_utc=self.next_set(), reason="sunset")]
        out: dict[str, object] = {}
        if not self.placed:
            due.append(Due(time_utc=self.rises, reason="drift"))
            out = {
                "exit_utc": self.rises, "exit_early_utc": self.rises, "edge": "left",
                "exit_clear_utc": self.rises + timedelta(minutes=12), "flags": ("exit-at-horizon",),
            }  # fmt: skip
        place = Place(
            at_utc=self.now, to_px=(4200.0, 1700.0), right_widths=1.28, up_widths=0.33, gap_edge="right",
            gap_widths=1.42, tolerance_widths=0.25, holds_until_utc=self.rises + timedelta(hours=17),
        )  # fmt: skip
        return foreseen(
            time_utc=self.now, basis="mount model (solar rate) on 9 h of track", seen_utc=self.seen_utc,
            due=tuple(sorted(due, key=lambda one: one.time_utc)), best_place=place,
            touch_gains=not self.placed,
            stop_edge_utc=self.now + timedelta(minutes=6), stop_edge="right", arc_h=9.0, rate_ratio=1.0,
            axis_turned_deg=135.0, **out,
        )  # fmt: skip

    def next_set(self) -> datetime:
        night = night_of(SETTINGS.site, utc_s(max(self.now, self.seen_utc)))
        assert night is not None
        return max(from_utc_s(round(night.sets_s)), self.now)

    def picture(self) -> MeasuredFrame:
        self.count += 1
        up = not self.sets < self.now < self.rises
        # A little unrest, the same each time.
        unrest = 0.6 * sin(1.7 * self.count), 0.6 * cos(2.3 * self.count)
        share = min(1.0, 0.5 + (6000.0 - self.x) / (2 * 469.0))
        disc = Disc(
            found=True, x_px=self.x + unrest[0], y_px=self.y + unrest[1], radius_px=469.0,
            centre_sigma_px=0.02, limb_in_frame=share, limb_coverage=share, edge_width_px=3.0, brightness=0.4,
            saturated_fraction=0.0,
        ) if up and share > 0 else Disc(found=False, brightness=0.0, saturated_fraction=0.0)  # fmt: skip
        return MeasuredFrame(
            frame=f"IMG_{self.count:04d}.JPG", time_utc=self.now, width_px=6000, height_px=4000, disc=disc,
            exposure_s=1 / 500, iso=100.0, aperture=8.0,
        )  # fmt: skip

    def until(self, end: datetime) -> None:
        while self.now < end:
            self.now += timedelta(minutes=1)
            if self.runs:
                self.x += SKY_PX_MIN * cos(radians(20))
                self.y += SKY_PX_MIN * sin(radians(20))
            frame = self.picture()
            if frame.disc.found:
                self.seen_utc = self.now
            self.frames.append(frame)
            fresh = None if self.runs or self.now.minute % 10 else self.forecast()
            self.step(frame, fresh)

    def step(self, event: Event, forecast: Forecast | None = None) -> None:
        outcome = self.pipeline.step_with(event, forecast, self.now)
        self.board.update(event, outcome, self.now)
        self.happened.append((event, self.now, outcome))
        self.incidents += outcome.incidents
        self.alerts += outcome.alerts
        for alert in outcome.alerts:
            self.say(f"[{alert.kind}, {alert.severity.value}] {alert.title}", *alert.body.split("\n"))

    # What is said.

    def say(self, head: str, *body: str) -> None:
        self.lines += [
            f"{self.now:%d %b %H:%M}Z  {head}",
            *(f"    {line}".rstrip() for text in body for line in text.split("\n")),
            "",
        ]

    def mark(self, kind: MarkKind, text: str = "", minutes: float | None = None) -> None:
        self.say(f"$ sentinel mark {kind}{f' {text}' if text else ''}")
        self.marks.append(Mark(time_utc=self.now, kind=kind, text=text, minutes=minutes))
        self.step(self.marks[-1], self.forecast() if kind == "battery" else None)

    def status(self) -> None:
        standing = standing_of(self.board, SETTINGS, self.now)
        lines = status_lines(standing, self.now, watched=True)
        self.say("$ sentinel status", *lines)

    def check(self) -> None:
        """Check the settings beside a folder that is still empty; what is of this computer is left out."""
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "in").mkdir()
            (folder / "config.yaml").write_text(f"{YAML}frames: {{folder: {folder / 'in'}}}\n")
            lines = [one.line for one in check([folder / "config.yaml"], folder / "state")]
            said = "\n".join(lines).replace(name, "/camera")
        said = re.sub(r"[\d.,]+ (GB|MB|TB)\b", r"... \1", said)
        said = re.sub(r"^(.*\b(clock|synchronised)\b.*)$", "(the computer's clock)", said, flags=re.MULTILINE)
        self.say("$ sentinel check --config config.yaml --state state", *said.split("\n"))

    def align(self) -> None:
        found = align(SETTINGS, [(event, at) for event, at, _ in self.happened])
        self.say("$ sentinel align state", *alignment_lines(found, SETTINGS))

    def analysis(self) -> Analysis:
        """Return the session as the report has it, through a journal."""
        with tempfile.TemporaryDirectory() as name:
            with Journal.create(Path(name) / "journal.sqlite", Origin.REPLAY) as journal:
                keep_settings(journal, SETTINGS)
                for event, at, outcome in self.happened:
                    journal.record(event, at, outcome)
            return Analysis(read_record(Path(name)))

    def report(self) -> None:
        found = self.analysis()
        told = [f"{name}: {value}" for name, value in facts("key_facts", found)]
        self.say("$ sentinel report state", *sentences("verdict", found), *told)

    def asks(self, until: datetime, *, watched: bool = True) -> None:
        standing = standing_of(self.board, SETTINGS, self.now)
        lines = until_lines(standing, until, self.now, watched=watched)
        self.say(f"$ sentinel status --until {until:%H:%M}", *lines)


def lived() -> Evening:
    """Return the whole of it."""
    e = Evening()
    e.check()
    morning = BEGIN + timedelta(hours=14, minutes=30)
    e.until(BEGIN + timedelta(hours=2))
    e.align()
    e.status()
    e.asks(morning)
    # The list has come; he goes before the sun does, and puts the disc where it says.
    e.until(e.sets - timedelta(minutes=70))
    e.mark("visit", minutes=20.0)
    e.until(e.now + timedelta(minutes=8))
    e.x, e.y, e.placed = 4200.0, 1700.0, True
    e.battery = e.now + timedelta(hours=14)
    e.mark("battery")
    e.mark("recentred")
    e.until(e.now + timedelta(minutes=30))
    e.asks(morning)
    e.until(BEGIN + timedelta(hours=6, minutes=10))
    e.asks(morning, watched=False)
    # He sleeps. In the morning sun the mount stops; he is woken, and goes.
    e.until(e.rises + timedelta(hours=1))
    e.runs, e.stopped_utc = True, e.now
    e.until(e.now + timedelta(minutes=7))
    e.status()
    e.mark("visit", minutes=15.0)
    e.until(e.now + timedelta(minutes=12))
    e.runs, e.x, e.y = False, 3000.0, 2000.0
    e.mark("recentred")
    e.until(BEGIN + timedelta(hours=15, minutes=10))
    last = e.forecast()
    summary = summarise(e.frames, e.incidents, e.alerts, last, SETTINGS, marks=e.marks)
    e.say("$ sentinel replay", *summary_lines(summary))
    e.report()
    return e


if __name__ == "__main__":
    print("\n".join(lived().lines), end="")
