"""Tables of measurements survive the round trip, and tables made by others are read or refused plainly."""

import dataclasses
from datetime import UTC, datetime, timedelta
from math import isnan, nan
from pathlib import Path

import pytest
from astropy.table import Table
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from sentinel.core.errors import RequestProblem
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.tables import read_measurements, write_measurements

START = datetime(2027, 6, 20, 22, 0, tzinfo=UTC)


def frame(minute: float, **changes: object) -> MeasuredFrame:
    disc = Disc(
        found=True,
        x_px=700.1234,
        y_px=480.25,
        radius_px=78.5,
        centre_sigma_px=0.0123,
        limb_in_frame=1.0,
        limb_coverage=0.9371,
        edge_width_px=2.125,
        oval_cos2_px=0.3125,
        oval_sin2_px=-0.0312,
        oval_sigma_px=0.0051,
        brightness=0.41237,
        saturated_fraction=0.0,
        flags=("clipped", "spotted"),
    )
    base = MeasuredFrame(
        frame=f"100VIEWS/view{minute:g}.jpg",
        time_utc=START + timedelta(minutes=minute),
        width_px=1500,
        height_px=1000,
        disc=disc,
        exposure_s=1 / 8000,
        iso=100.0,
        aperture=5.6,
    )
    return dataclasses.replace(base, **changes)  # type: ignore[arg-type]


def same(a: object, b: object) -> bool:
    """Compare records where NaN equals NaN."""
    return repr(a) == repr(b)


def test_a_table_reads_back_as_written_in_order_of_exposure(tmp_path: Path) -> None:
    lost = frame(1, disc=Disc(found=False, brightness=0.001, saturated_fraction=0.0, flags=("dark",)))
    broken = frame(
        2, disc=Disc(found=False), error="cut short after 4096 bytes", camera="Box 7", orientation=6
    )
    write_measurements(tmp_path / "m.ecsv", [broken, frame(0), lost])
    back = read_measurements(tmp_path / "m.ecsv")
    assert [f.frame for f in back] == [f"100VIEWS/view{i}.jpg" for i in range(3)]
    assert same(back[0].disc, frame(0).disc)
    assert same(back[1].disc, lost.disc)
    assert back[2].error == broken.error
    assert back[2].camera == "Box 7"
    assert [f.orientation for f in back] == [None, None, 6]
    table = Table.read(tmp_path / "m.ecsv")
    assert table.meta == {"frame_width_px": 1500, "frame_height_px": 1000}
    assert table["time_utc"][0] == "2027-06-20T22:00:00Z"
    assert not list(tmp_path.glob(".*")), "no unfinished file stays behind"


def test_no_frames_make_an_empty_table_that_still_has_its_columns(tmp_path: Path) -> None:
    write_measurements(tmp_path / "m.ecsv", [])
    assert Table.read(tmp_path / "m.ecsv").colnames[:3] == ["frame", "time_utc", "found"]


def test_frames_of_another_size_keep_it(tmp_path: Path) -> None:
    write_measurements(tmp_path / "m.ecsv", [frame(0), frame(1), frame(2, width_px=640, height_px=480)])
    assert [(f.width_px, f.height_px) for f in read_measurements(tmp_path / "m.ecsv")][2] == (640, 480)


def test_a_table_with_only_the_needed_columns_is_read(tmp_path: Path) -> None:
    times = Time(["2027-06-20T22:01:00", "2027-06-20T22:00:00"])
    table = Table({"time_utc": times, "x_px": [1.0, nan], "y_px": [2.0, 2.0], "radius_px": [78.0, 78.0]})
    table.meta.update(frame_width_px=1500, frame_height_px=1000)
    table.write(tmp_path / "m.ecsv", format="ascii.ecsv")
    first, second = read_measurements(tmp_path / "m.ecsv")
    assert (first.disc.found, second.disc.found) == (False, True), "a row without a place has no disc"
    assert isnan(first.disc.x_px)
    assert second.time_utc == START + timedelta(minutes=1)
    assert isnan(second.exposure_s)
    assert 0.2 < second.disc.limb_in_frame < 0.3, "a disc about the corner shows a quarter of its limb"
    assert second.disc.limb_coverage == second.disc.limb_in_frame


def test_what_is_odd_about_rows_is_said_in_their_flags_and_nothing_is_lost(tmp_path: Path) -> None:
    minutes = [0.0, 2.0, 1.0, 2.0, 3.0]
    times = [(START + timedelta(minutes=minute)).isoformat() for minute in minutes]
    place = {"x_px": [1.0, 2.0, 3.0, 2.0, nan], "y_px": [1.0] * 5, "radius_px": [78.0] * 5}
    table = Table({"frame": [f"v{minute:g}" for minute in minutes], "time_utc": times, **place})
    table.meta.update(frame_width_px=1500, frame_height_px=1000)
    table.write(tmp_path / "bare.ecsv", format="ascii.ecsv")
    bare = read_measurements(tmp_path / "bare.ecsv")
    assert all("columns-missing" in f.flags for f in bare)
    assert all(isnan(f.disc.oval_cos2_px) and isnan(f.disc.oval_sigma_px) for f in bare)

    table["limb_coverage"] = table["edge_width_px"] = table["brightness"] = table["saturated_fraction"] = 0.5
    table.write(tmp_path / "m.ecsv", format="ascii.ecsv")
    frames = read_measurements(tmp_path / "m.ecsv")
    assert [(f.frame, f.flags) for f in frames] == [
        ("v0", ()),
        ("v1", ("row-out-of-order",)),
        ("v2", ()),
        ("v2", ("row-repeated",)),
        ("v3", ("row-without-place",)),
    ]
    write_measurements(tmp_path / "again.ecsv", frames)
    again = read_measurements(tmp_path / "again.ecsv")
    assert [f.all_flags for f in again] == [f.all_flags for f in frames], "said once, it stays said"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("nonsense", "is not an ECSV table"),
        (
            "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: x_px, datatype: float64}\nx_px\n1.0\n",
            "no column 'time_utc'",
        ),
    ],
)
def test_what_is_no_table_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "m.ecsv").write_text(text, encoding="utf-8")
    with pytest.raises(RequestProblem, match=says) as caught:
        read_measurements(tmp_path / "m.ecsv")
    assert "\n" not in str(caught.value)


def test_a_missing_size_or_a_wrong_time_is_named(tmp_path: Path) -> None:
    columns = {"time_utc": ["yesterday"], "x_px": [1.0], "y_px": [2.0], "radius_px": [78.0]}
    table = Table(columns)
    table.write(tmp_path / "m.ecsv", format="ascii.ecsv")
    with pytest.raises(RequestProblem, match="frame_width_px"):
        read_measurements(tmp_path / "m.ecsv")
    table.meta.update(frame_width_px=1500, frame_height_px=1000)
    table.write(tmp_path / "n.ecsv", format="ascii.ecsv")
    with pytest.raises(RequestProblem, match="row 1: not a time: 'yesterday'"):
        read_measurements(tmp_path / "n.ecsv")


@settings(max_examples=25, deadline=None)
@given(
    x_px=st.floats(-1e4, 1e4),
    name=st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=20),
    micros=st.integers(0, 10**12),
)
def test_any_row_survives_to_the_digits_written(
    tmp_path_factory: pytest.TempPathFactory, x_px: float, name: str, micros: int
) -> None:
    path = tmp_path_factory.mktemp("t") / "m.ecsv"
    disc = dataclasses.replace(frame(0).disc, x_px=x_px)
    time = START + timedelta(microseconds=micros)
    write_measurements(path, [frame(0, frame=name, disc=disc, time_utc=time)])
    (back,) = read_measurements(path)
    assert back.frame == name
    assert abs(back.disc.x_px - x_px) <= 5.1e-5
    assert abs(back.time_utc - time) <= timedelta(milliseconds=0.6)
