"""Skill of the forecast on invented sessions, the straight line through the last hour beside it.

python tests/benchmarks/forecast_skill.py [--quick] [--sessions N] [--first SEED] [--rolls any] [--level]
"""

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.core.times import utc_s
from tests.forecast.sessions import Session, random_session
from tests.forecast.watching import seconds_until
from tests.forecasts import axis_of, places_of

CUTS_H = (1.0, 3.0, 6.0)
LEAST_LEFT_S = 1200.0


def line_exit_s(session: Session, frames: list[MeasuredFrame], now_s: float) -> float:
    """Seconds until a least-squares line through the last hour brings the limb to an edge."""
    last = [f for f in frames if f.disc.found and now_s - 3600 <= utc_s(f.time_utc) <= now_s]
    jumps = [session.start_s + hours * 3600 for hours, _ in session.recentred]
    begin = max([j for j in jumps if j <= now_s], default=0.0)
    last = [f for f in last if utc_s(f.time_utc) >= begin]
    if len(last) < 3:
        return float("nan")
    t = np.array([utc_s(f.time_utc) for f in last]) - now_s
    ahead = np.arange(0, 48 * 3600, 60.0)
    x = np.polyval(np.polyfit(t, [f.disc.x_px for f in last], 1), ahead)
    y = np.polyval(np.polyfit(t, [f.disc.y_px for f in last], 1), ahead)
    r = last[-1].disc.radius_px
    room = np.min([x - r, session.width_px - 1 - x - r, y - r, session.height_px - 1 - y - r], axis=0)
    up = session.sun.altaz_deg(now_s + ahead)[0] > 0
    out = (room <= 0) & up
    return float(ahead[out.argmax()]) if out.any() else float("inf")


def watch(session: Session) -> Iterator[tuple[float, Forecast, list[MeasuredFrame]]]:
    """Feed a session; yield (hours, forecast, frames so far) at the cuts."""
    forecaster = Following(Context(session.settings, session.sun))
    frames = session.frames()
    cuts = list(CUTS_H)
    for i, frame in enumerate(frames):
        forecaster.feed(frame, frame.time_utc)
        since = (utc_s(frame.time_utc) - session.start_s) / 3600
        if cuts and since >= cuts[0] - 1e-9:
            cuts.pop(0)
            yield since, forecaster.look(frame.time_utc), frames[: i + 1]


def row(session: Session, hours: float, forecast: Forecast, frames: list[MeasuredFrame]) -> dict[str, float]:
    now_s = session.start_s + hours * 3600
    true = session.true_exit_s(hours) - now_s
    result = {
        "true": true,
        "safe": seconds_until(forecast.exit.safe_utc, now_s),
        "early": seconds_until(forecast.exit.early_utc, now_s),
        "median": seconds_until(forecast.exit.median_utc, now_s),
        "late": seconds_until(forecast.exit.late_utc, now_s),
        "line": line_exit_s(session, frames, now_s),
        "low": float("low-sun" in forecast.flags),
    }
    f = forecast
    for key, value, sigma, truth in (
        ("azimuth", axis_of(f).azimuth_error_deg, axis_of(f).azimuth_sigma_deg, session.azimuth_error_deg),
        (
            "altitude",
            axis_of(f).altitude_error_deg,
            axis_of(f).altitude_sigma_deg,
            session.altitude_error_deg,
        ),
    ):
        if value is not None and sigma is not None:
            result[key], result[f"{key}_sigma"] = value - truth, sigma
    result |= recentring(session, hours, forecast)
    return result


def recentring(session: Session, hours: float, forecast: Forecast) -> dict[str, float]:
    """How long advice and middle hold, each met, and missed by up to a quarter of a sun-width."""
    if forecast.places is None or forecast.places.now.to_px is None:
        return {}
    rng = np.random.default_rng([session.seed, int(hours)])
    i = min(int(np.ceil(hours * 3600 / session.interval_s)), len(session.times_s) - 1)
    slip = rng.uniform(0, 0.25) * 2 * session.radius_px[i]
    turn = rng.uniform(0, 2 * np.pi)
    off = slip * np.cos(turn), slip * np.sin(turn)
    holds = []
    middle = session.optics.middle_px
    for place in (places_of(forecast).now.to_px, middle):
        for share in (0.0, 1.0):
            x, y = (place[k] + share * off[k] for k in (0, 1))
            holds.append(session.holds_s(i, x, y))
    return dict(zip(("advice_met", "advice", "middle", "middle_slipped"), holds, strict=True))


def summary(rows: list[dict[str, float]], whose: str) -> str:
    leave = [r for r in rows if np.isfinite(r["true"]) and r["true"] > LEAST_LEFT_S]
    true = np.array([r["true"] for r in leave])
    median = np.array([r["median" if whose == "model" else "line"] for r in leave])
    error = np.abs(np.where(np.isfinite(median), median, 48 * 3600) - true) / true
    text = f"{len(leave):4d} leave  error {100 * np.nanmedian(error):5.1f} %"
    if whose == "model":
        safe, early, late = (np.array([r[k] for r in leave]) for k in ("safe", "early", "late"))
        inside = (early <= true) & (true <= late)
        granted = np.minimum(np.where(np.isfinite(early), early, 48 * 3600), 48 * 3600) / true
        text += (
            f"  safe too late {100 * np.mean(safe > true):4.1f} %"
            f"  5 % too late {100 * np.mean(early > true):4.1f} %"
            f"  inside {100 * np.mean(inside):4.1f} %  granted {100 * np.median(granted):4.0f} %"
        )
        for key in ("altitude", "azimuth"):
            off = [abs(r[key]) for r in rows if key in r]
            near = [abs(r[key]) <= 2 * r[f"{key}_sigma"] for r in rows if key in r]
            text += f"  {key[:3]} {np.median(off):.3f} deg ({100 * np.mean(near):.0f} % in 2 sigma)"
    else:
        text += f"  promises too much {100 * np.mean(median > true):4.1f} %"
    stays = [r["median" if whose == "model" else "line"] for r in rows if np.isinf(r["true"])]
    text += f"  | {len(stays)} stay, said to leave {100 * np.mean(np.isfinite(stays)) if stays else 0:4.1f} %"
    return text


def advice_summary(rows: list[dict[str, float]]) -> str:
    asked = [r for r in rows if r.get("middle", 0.0) > 0]
    ratio = np.array([r["advice"] / r["middle"] for r in asked])
    alike = np.array([r["advice"] / max(r["middle_slipped"], 1.0) for r in asked])
    met = np.array([r["advice_met"] / r["middle"] for r in asked])
    short = ratio[[r["middle"] < 48 * 3600 for r in asked]]
    return (
        f"advice over middle: least {ratio.min():.2f}, below 0.98 in {np.sum(ratio < 0.98)} of {len(ratio)}"
        f" ({np.sum(alike < 0.98)} where the middle is missed by as much, {np.sum(met < 0.98)} where neither"
        f" is missed), median where the middle does not hold 48 h"
        f" {np.median(short) if len(short) else np.nan:.2f}"
    )


def shown(session: Session, cut: float, r: dict[str, float], forecast: Forecast) -> str:
    times = " ".join(f"{r[k] / 3600:6.2f}" for k in ("true", "safe", "early", "median", "late"))
    axis = " ".join(
        f"{key[:3]} {r.get(key, 0):+.3f} ± {r.get(key + '_sigma', 0):.3f}" for key in ("azimuth", "altitude")
    )
    held = f"advice {r.get('advice', 0) / 3600:.1f} middle {r.get('middle', 0) / 3600:.1f}"
    noise = f"{session.flexure} {session.flexure_arcsec:.0f} worm {session.worm_arcsec:.0f}"
    flags = ",".join(forecast.flags)
    return f"{session.seed} {cut:.0f}h {times} {axis} {held} {noise} roll {session.roll_deg:.0f} {flags}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--rolls", default="usual", choices=["usual", "any"])
    parser.add_argument(
        "--level", action="store_true", help="the camera writes which side of its picture is up"
    )
    parser.add_argument("--show", action="store_true")
    args = parser.parse_args()
    number = 40 if args.quick else args.sessions
    table: dict[float, list[dict[str, float]]] = defaultdict(list)
    for seed in range(args.first, args.first + number):
        session = replace(random_session(seed, rolls=args.rolls), level_sensor=args.level)
        for cut, (hours, forecast, frames) in zip(CUTS_H, watch(session), strict=False):
            table[cut].append(row(session, hours, forecast, frames))
            if args.show:
                print(shown(session, cut, table[cut][-1], forecast), flush=True)
    print(f"{number} sessions, rolls: {args.rolls}")
    for cut in CUTS_H:
        print(f"{cut:.0f} h  model {summary(table[cut], 'model')}")
        print(f"{cut:.0f} h  line  {summary(table[cut], 'line')}")
        print(f"{cut:.0f} h  {advice_summary(table[cut])}")


if __name__ == "__main__":
    main()
