"""A battery that was changed and not noted: five days through judge and composer."""

from datetime import UTC, datetime, timedelta

from sentinel.chain.notify.counting import wakes
from sentinel.chain.pipeline import Pipeline
from sentinel.core.foreseen import Due
from sentinel.core.records import Alert, Disc, MeasuredFrame
from sentinel.core.settings import validate
from sentinel.service.status.board import Board
from sentinel.service.status.making import standing_of
from tests.forecasts import foreseen

BEGIN = datetime(2026, 6, 21, 6, 0, tzinfo=UTC)
SETTINGS = validate(
    {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 3.92, "interval_s": 600.0},
        "supplies": {"camera_battery_h": 20.0},
        "sleep": {"from_utc": "20:00", "until_utc": "04:00"},
    },
    where="test",
)


def test_a_forgotten_mark_does_not_ruin_the_nights() -> None:
    pipeline, board, told = Pipeline(SETTINGS, BEGIN), Board(), list[Alert]()
    empty = BEGIN + timedelta(hours=20)
    now = BEGIN
    for k in range(5 * 24 * 6):
        now = BEGIN + timedelta(minutes=10 * k)
        disc = Disc(
            found=True, x_px=3000.0 + 0.01 * (k % 7), y_px=2000.0 + 0.01 * (k % 5), radius_px=469.0,
            centre_sigma_px=0.02, limb_in_frame=1.0, limb_coverage=1.0, edge_width_px=3.0, brightness=0.4,
            saturated_fraction=0.0,
        )  # fmt: skip
        frame = MeasuredFrame(frame=f"{k}.jpg", time_utc=now, width_px=6000, height_px=4000, disc=disc)
        leaves = now + timedelta(hours=30)
        forecast = foreseen(
            time_utc=now, basis="test", seen_utc=now, exit_early_utc=leaves, exit_utc=leaves, edge="top",
            arc_h=9.0,
            due=(Due(time_utc=empty, reason="battery"), Due(time_utc=leaves, reason="drift")),
        )  # fmt: skip
        outcome = pipeline.step_with(frame, forecast if k % 3 == 0 else None, now)
        board.update(frame, outcome, now)
        told += outcome.alerts
    supply = [alert for alert in told if alert.condition == "supply"]
    after = [alert for alert in supply if alert.time_utc >= empty]
    # It was on the list of the evening: nobody is woken for it, before its time or after.
    assert not [alert for alert in supply if wakes(alert)]
    assert [alert.severity.value for alert in after] == ["soon"]
    assert "still works: was it renewed?" in after[0].body
    assert not [alert for alert in after if wakes(alert)]
    standing = standing_of(board, SETTINGS, now)
    assert standing.leave_reason == "drift"
    assert "the sun drifts to the top edge" in standing.left_alone
    # Each evening it is asked about again, on the list.
    lists = [alert for alert in told if alert.condition == "before-sleep"]
    assert all("battery" in alert.body for alert in lists[1:])
