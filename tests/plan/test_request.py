"""What is asked for: times, sizes, and what the camera's folder tells."""

import os
from pathlib import Path

import pytest
from PIL import Image

from sentinel.core.errors import RequestProblem
from sentinel.core.times import format_utc
from sentinel.jobs.plan.request import read_frame_bytes, read_frame_size, read_span, read_trip
from tests.plan.trips import settings


def test_a_bare_date_begins_at_its_start_and_ends_at_its_end() -> None:
    begin, end = read_span("2027-06-18", "2027-06-18")
    assert (format_utc(begin), format_utc(end)) == ("2027-06-18T00:00:00Z", "2027-06-19T00:00:00Z")
    begin, end = read_span(" 2027-06-18T12:30:00+02:00 ", "2027-06-19T00:00Z")
    assert (format_utc(begin), format_utc(end)) == ("2027-06-18T10:30:00Z", "2027-06-19T00:00:00Z")


def test_what_names_no_zone_is_by_the_operators_clock() -> None:
    begin, end = read_span("2027-06-18", "2027-06-18T12:00", "Europe/Oslo")
    assert (format_utc(begin), format_utc(end)) == ("2027-06-17T22:00:00Z", "2027-06-18T10:00:00Z")
    # The day on which the clocks go forward has 23 hours.
    begin, end = read_span("2027-03-28", "2027-03-28", "Europe/Oslo")
    assert (end - begin).total_seconds() == 23 * 3600
    begin, end = read_span("2027-06-18T12:00Z", "2027-06-18T12:00", "America/Lima")
    assert (end - begin).total_seconds() == 5 * 3600


@pytest.mark.parametrize(
    ("begin", "end", "where", "says"),
    [
        ("2027-06-22", "2027-06-18", "TO", "ends before it begins"),
        ("2027-06-22T00:00:00Z", "2027-06-22T00:00:00Z", "TO", "ends before it begins"),
        ("2027-06-18", "2027-08-17", "TO", "60 days"),
        ("1969-12-31", "1970-01-03", "FROM", "1970 to 2040"),
        ("2040-12-31", "2041-01-01", "TO", "1970 to 2040"),
        ("2027-02-30", "2027-03-01", "FROM", "not a date"),
        ("midsummer", "2027-06-20", "FROM", "not a date"),
        ("0001-01-01T00:00:00+05:00", "2027-06-20", "FROM", "not a date"),
        ("2027-06-18", "", "TO", "not a date"),
    ],
)
def test_a_wrong_span_is_one_line_that_names_the_argument(
    begin: str, end: str, where: str, says: str
) -> None:
    with pytest.raises(RequestProblem, match=says) as caught:
        read_span(begin, end)
    assert str(caught.value).startswith(f"{where}: ")
    assert "\n" not in str(caught.value)


def test_the_longest_and_the_outermost_trips_are_taken() -> None:
    read_span("2027-06-18", "2027-08-16")
    read_span("1970-01-01", "1970-01-01")
    read_span("2040-12-31", "2040-12-31")


@pytest.mark.parametrize("text", ["6000", "60x", "0x4000", "6000x4000x3", "-6000x4000", "1e3x400", "", "x"])
def test_no_size_of_a_frame(text: str) -> None:
    with pytest.raises(RequestProblem, match="--frame"):
        read_frame_size(text)


def test_a_size_of_a_frame() -> None:
    assert read_frame_size("6000x4000") == read_frame_size(" 6000 X 4000 ") == (6000, 4000)


@pytest.mark.parametrize("megabytes", [0.0, -1.0, float("nan"), float("inf")])
def test_no_size_of_a_file(megabytes: float) -> None:
    with pytest.raises(RequestProblem, match="--frame-mb"):
        read_frame_bytes(megabytes)


class TestFolder:
    def look(self, folder: Path, frame: str | None = None, mb: float | None = None) -> tuple[object, object]:
        told = settings(frames={"folder": str(folder)})
        trip = read_trip(told, "2027-06-18", "2027-06-18", frame, mb)
        return trip.frame_px, trip.frame_bytes

    def test_size_and_mean_weight_come_from_what_lies_there(self, tmp_path: Path) -> None:
        (tmp_path / "100").mkdir()
        (tmp_path / "100" / "a.jpg").write_bytes(b"\xff\xd8\xff broken")
        os.mkfifo(tmp_path / "100" / "b.jpg")
        (tmp_path / "100" / "c.jpg").write_bytes(b"")
        Image.new("L", (60, 40)).save(tmp_path / "100" / "d.jpg")
        weights = [(tmp_path / "100" / name).stat().st_size for name in ("a.jpg", "d.jpg")]
        assert self.look(tmp_path) == ((60, 40), sum(weights) / 2)

    def test_what_is_given_counts_more(self, tmp_path: Path) -> None:
        Image.new("L", (60, 40)).save(tmp_path / "d.png")
        assert self.look(tmp_path, "6000x4000", 12.5) == ((6000, 4000), 12.5e6)

    def test_an_empty_or_missing_folder_tells_nothing(self, tmp_path: Path) -> None:
        assert self.look(tmp_path) == (None, None)
        assert self.look(tmp_path / "missing") == (None, None)
