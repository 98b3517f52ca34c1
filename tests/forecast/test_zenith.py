"""The flattened disc tells the camera's roll, but for half a turn: on mounts that are not the product's."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.chain.forecast.bins import Arc, Bins
from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.geometry import AIR, NO_SLOW_CHANGE, ONE_PART, Geometry, Points
from sentinel.chain.forecast.nodes import Candidate, every_node
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS
from sentinel.chain.forecast.zenith import Complex, ZenithSeen, oval_of
from sentinel.core.records import Disc
from sentinel.core.settings import Site
from sentinel.sky import Sun, flattening
from sentinel.sky.sun import altaz_deg
from tests.worlds.mount import Array, Lens, Setting, aimed, axis_errors_deg, misaligned, pictured

LENS = Lens()
RADIUS_PX = 467.0
START_S = datetime(2027, 6, 21, 0, 30, tzinfo=UTC).timestamp()
"""At 70 N under a low sun in the north; six months later, and at 70 S, in the south."""
HALF_YEAR_S = 183 * 86_400.0
STEP_DEG = 0.01
ROLLS = np.radians(np.arange(0.0, 360.0, STEP_DEG))


class Scene:
    """An hour of a sun on a mount that is off, of `tests/worlds`."""

    def __init__(self, *, south: bool, roll_deg: float, axis_deg: tuple[float, float] = (0.0, 0.0)) -> None:
        latitude_deg = -70.0 if south else 70.0
        site = Site(latitude_deg=latitude_deg, longitude_deg=0.0, temperature_c=0.0)
        self.roll_deg = roll_deg
        self.sun, self.times_s = Sun(site), START_S + HALF_YEAR_S * south + np.arange(0, 3600.0, 300.0)
        self.geometry = Geometry(site, self.sun)
        self.enu = self.sun.middle_direction(self.times_s)
        mount = Setting(
            tripod=misaligned(latitude_deg, *axis_deg),
            drive_deg=0.0,
            declination_deg=0.0,
            roll_deg=roll_deg + (180.0 if south else 0.0),
        )
        turn, decline = aimed(self.enu[0], mount, LENS, latitude_deg, LENS.middle_px)
        turned = turn + 15.0 / 3600 * (self.times_s - self.times_s[0])
        self.mount = replace(mount, drive_deg=turned, declination_deg=decline)
        azimuth, altitude = axis_errors_deg(mount.tripod, latitude_deg)
        self.axis_deg = float(azimuth[0]), float(altitude[0])
        self.latitude_deg = latitude_deg
        self.xy_px = np.stack(self.pictured(self.enu), axis=1)

    def pictured(self, enu: Array) -> tuple[Array, Array]:
        return pictured(enu, self.mount, LENS, self.latitude_deg)

    def ovals(self) -> Complex:
        """What the air alone makes of the disc, over its radius."""
        up = np.array([0.0, 0.0, 1.0]) - self.enu[:, 2:] * self.enu
        higher = self.enu + 1e-4 * up / np.linalg.norm(up, axis=1, keepdims=True)
        x, y = self.pictured(higher / np.linalg.norm(higher, axis=1, keepdims=True))
        upward = (x - self.xy_px[:, 0]) + 1j * (y - self.xy_px[:, 1])
        flat = 1 - flattening(altaz_deg(self.enu)[0], temperature_c=0.0)
        return np.asarray(-flat / 2 * (upward / np.abs(upward)) ** 2)

    def chi2(
        self,
        ovals: Complex,
        sigma: float = 1e-4,
        *,
        at_deg: tuple[float, float] = (0.0, 0.0),
        node_deg: float | None = None,
    ) -> Array:
        """What the ovals say of each of `ROLLS`, on an axis and with a roll thought to be so: chi-squared."""
        seen = self.seen(ovals, sigma)
        assert seen is not None
        roll_deg = self.roll_deg if node_deg is None else node_deg
        points = replace(self.points(at_deg), roll_rad=np.array([np.radians(roll_deg)]))
        aims = self.geometry.aims(self.times_s, float(self.times_s[-1]))
        upward = self.geometry.linear(aims, ONE_PART, points)[1][..., AIR]
        prior = every_node([Candidate(15.0, 1.0)], self.latitude_deg, USUAL_ROLLS).taken(np.array([0])).prior
        self.before = prior.about(points)
        self.added = seen.added_to(self.before, self.geometry, points, aims.direction, upward)
        form = (self.added.power - self.before.power)[0]
        turn = np.stack([np.cos(ROLLS), np.sin(ROLLS), np.ones_like(ROLLS)])
        return np.asarray(np.einsum("ij,ik,kj->j", turn, form, turn))

    def seen(self, ovals: Complex, sigma: float) -> ZenithSeen | None:
        n = len(self.times_s)
        one, told = np.ones(n), np.where(np.isfinite(ovals), sigma, np.inf)
        arc = Arc(
            self.times_s,
            self.xy_px,
            0.02 * one,
            5 * one,
            ovals,
            told,
            np.zeros(n, dtype=complex),
            frozenset(),
        )
        return ZenithSeen.of(arc, np.array(LENS.middle_px), RADIUS_PX)

    def points(self, axis_deg: tuple[float, float]) -> Points:
        zero, none = np.zeros(1), np.zeros((1, 0))
        points = Points(
            zero + 15.0,
            zero + axis_deg[0],
            zero + axis_deg[1],
            zero,
            zero,
            np.zeros(0),
            none,
            none,
            NO_SLOW_CHANGE,
        )
        return self.geometry.posed(points, float(self.times_s[0]), np.zeros(2))


def off_deg(chi2: Array, roll_deg: float) -> float:
    """How far the likeliest roll is from the true one or the opposite."""
    return float((np.degrees(ROLLS[chi2.argmin()]) - roll_deg + 90) % 180 - 90)


def sigma_deg(chi2: Array) -> float:
    """Of that roll: about it chi-squared grows by one."""
    return float(STEP_DEG * (chi2 < chi2.min() + 1).sum() / 4)


@pytest.mark.parametrize("south", [False, True])
@pytest.mark.parametrize("roll_deg", [0.0, 70.0, 200.0])
def test_the_short_axis_of_a_low_sun_tells_the_roll_but_for_half_a_turn(south: bool, roll_deg: float) -> None:
    scene = Scene(south=south, roll_deg=roll_deg, axis_deg=(0.8, -0.8))
    chi2 = scene.chi2(scene.ovals(), at_deg=scene.axis_deg)
    assert abs(off_deg(chi2, roll_deg)) < 0.2
    assert 0.5 < sigma_deg(chi2) < 3.0
    assert np.roll(chi2, len(ROLLS) // 2) == pytest.approx(chi2, abs=1e-6)


def test_a_bent_lens_and_an_oval_of_its_own_stay_within_what_is_said() -> None:
    scene = Scene(south=False, roll_deg=30.0)
    air = scene.ovals()
    scene.xy_px = scene.xy_px + np.array([1500.0, -900.0])
    rng, off = np.random.default_rng(5), []
    at = (scene.xy_px - np.array(LENS.middle_px)) @ np.array([1, 1j]) / np.hypot(*LENS.middle_px)
    for _ in range(60):
        own = rng.normal(0, np.hypot(1.5e-4, 0.05 / RADIUS_PX), 2) @ [1, 1j]
        noise = rng.normal(0, 1e-4, (len(at), 2)) @ [1, 1j]
        chi2 = scene.chi2(air + own + rng.normal(0, 1.5e-3) * at**2 + noise)
        off.append(off_deg(chi2, 30.0) / sigma_deg(chi2))
    assert 0.3 < np.std(off) < 1.1
    assert np.abs(off).max() < 3


def test_an_oval_that_no_air_explains_tells_little() -> None:
    scene = Scene(south=False, roll_deg=0.0)
    drawn = 20 * scene.ovals() * np.exp(1j * np.linspace(0, 6, len(scene.times_s)))
    assert np.ptp(scene.chi2(drawn)) < 0.2 * np.ptp(scene.chi2(scene.ovals()))


def test_a_wrong_axis_and_the_roll_it_feigns_are_told_together() -> None:
    scene = Scene(south=False, roll_deg=40.0, axis_deg=(0.3, 0.4))
    chi2 = scene.chi2(scene.ovals(), at_deg=(0.0, 0.0))
    feigned_rad = np.radians(off_deg(chi2, 40.0))
    turn = np.array([np.cos(np.radians(40.0)), np.sin(np.radians(40.0)), 1.0])
    # At the true roll the measurement is met by the true axis.
    weight = 1 / np.radians(sigma_deg(chi2)) ** 2
    unaided = (
        scene.added.precision[0][:2, :2]
        - every_node([Candidate(15.0, 1.0)], 70.0, USUAL_ROLLS)
        .taken(np.array([0]))
        .prior.about(scene.points((0.0, 0.0)))
        .precision[0][:2, :2]
    )
    answers = turn @ scene.added.pull[0][:, :2] / weight / np.sin(-feigned_rad)
    assert np.outer(answers, answers) * weight == pytest.approx(unaided, rel=0.1)
    # To first order: meridians draw together on the way from the lens axis to the disc.
    assert answers @ scene.axis_deg == pytest.approx(-feigned_rad, rel=0.2)


@pytest.mark.parametrize("node_deg", [220.0, 80.0, 285.0])
def test_whatever_roll_a_mount_is_followed_at_ties_roll_and_axis_alike(node_deg: float) -> None:
    """To first order chi-squared is (sin(roll - told) - cos(node - told) answers . axis)^2, root taken in.

    Half a turn on, the roll grows the other way: a tie without the cosine would have the wrong sign there.
    """
    scene, chi2, precision, pull = Scene(south=False, roll_deg=40.0), {}, {}, {}
    for roll_deg in (40.0, node_deg):
        chi2[roll_deg] = scene.chi2(scene.ovals(), at_deg=(0.3, 0.4), node_deg=roll_deg)
        turn = np.array([np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg)), 1.0])
        precision[roll_deg] = (scene.added.precision - scene.before.precision)[0][:2, :2]
        pull[roll_deg] = turn @ (scene.added.pull - scene.before.pull)[0][:, :2]
    assert chi2[node_deg] == pytest.approx(chi2[40.0], abs=1e-6)
    off = np.radians(np.array([40.0, node_deg]) - np.degrees(ROLLS[chi2[40.0].argmin()]))
    ratio = np.cos(off[1]) / np.cos(off[0])
    assert precision[node_deg] == pytest.approx(ratio**2 * precision[40.0], rel=0.01)
    assert pull[node_deg] == pytest.approx(ratio * np.sin(off[1]) / np.sin(off[0]) * pull[40.0], rel=0.02)


def test_discs_without_an_oval_tell_nothing() -> None:
    scene = Scene(south=False, roll_deg=0.0)
    assert scene.seen(np.full(len(scene.times_s), np.nan + 0j), 1e-4) is None
    assert oval_of(Disc(found=True, radius_px=400.0)) == (0j, np.inf)
    told = Disc(found=True, radius_px=400.0, oval_cos2_px=0.4, oval_sin2_px=-0.8, oval_sigma_px=0.02)
    oval, sigma = oval_of(told)
    assert oval == pytest.approx(0.001 - 0.002j)
    assert sigma == pytest.approx(5e-5)


def test_a_bin_weighs_its_ovals() -> None:
    bins = Bins()
    for oval, sigma in ((1 + 1j, 1.0), (4 - 2j, 0.5), (0j, np.inf)):
        disc = TrackedDisc(0.0, 1.0, 2.0, 100.0, 0.1, oval, sigma)
        bins.add(disc.utc_s, disc.x_px, disc.y_px, disc.sigma_px, disc.oval, disc.oval_sigma)
    arc = bins.arc()
    assert arc.oval == pytest.approx((1 + 1j + 4 * (4 - 2j)) / 5)
    assert arc.oval_sigma == pytest.approx(5**-0.5)
