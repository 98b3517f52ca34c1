"""Small invented sessions with pictures, replayed once for all tests that look at them."""

import shutil
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from tempfile import mkdtemp

import av
import numpy as np
from numpy.typing import NDArray

from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.simulate.events import Cap, CloudBank, DriveStop
from sentinel.jobs.simulate.scenario import Scenario, SimCamera
from sentinel.jobs.simulate.scene import Dust
from sentinel.jobs.simulate.session import simulate
from sentinel.sky import Sun
from tests.simulate.worlds import midsummer

SMALL = SimCamera(
    focal_length_mm=400, pixel_pitch_um=30.0, width_px=450, height_px=300, blur_px=0.7, read_noise=0.0002
)
"""A sun of 61 px in a small frame: quick to render, and large enough to measure to 0.02 px."""


def scenario(
    *events: object, hours: float = 0.5, camera: SimCamera = SMALL, dust: tuple[Dust, ...] = ()
) -> Scenario:
    mount = {"azimuth_error_deg": -0.8, "altitude_error_deg": 1.2, "roll_deg": 9.0, "wind_arcsec": 3.0}
    return midsummer(
        *events, hours=hours, camera=camera, mount=mount, seed=11, dust=dust,  # type: ignore[arg-type]
    )  # fmt: skip


DUST = (
    Dust(x_px=222.0, y_px=131.0, radius_px=2.5, depth=0.5),
    Dust(x_px=251.0, y_px=172.0, radius_px=3.0, depth=0.4),
)


def setting(roughness_px: float) -> Scenario:
    """The sun sinks behind hills or trees, from whole to a third."""
    usual = scenario(hours=0.2)
    start_utc = datetime(2027, 6, 21, 15, tzinfo=UTC)
    gone_s = start_utc.timestamp() + 0.17 * 3600
    altitude_deg, azimuth_deg = (float(at) for at in Sun(usual.site).altaz_deg(gone_s))
    line = tuple((azimuth_deg + off, altitude_deg) for off in (-30.0, 30.0))
    site = usual.site.model_copy(update={"horizon": line})
    return usual.model_copy(update={"site": site, "start_utc": start_utc, "ridge_roughness_px": roughness_px})


@lru_cache(maxsize=8)
def _made(kind: str) -> Path:
    """Render and replay a session of a kind into a folder of its own; its `session` holds the frames."""
    folder = Path(mkdtemp(prefix="film-test-"))
    if kind == "cloudy":
        simulate(scenario(Cap(at=0.2, until=0.3)), folder / "session")
        pictures = pictures_of(folder)
        pictures[3].write_bytes(pictures[3].read_bytes()[:900])
        for gone in pictures[-9:-3]:
            gone.unlink()
    elif kind == "bracketed":
        bracketed = SMALL.model_copy(update={"bracket_stops": (0.0, -1.0)})
        simulate(scenario(hours=0.1, camera=bracketed), folder / "session")
    elif kind == "hills":
        simulate(setting(1.0), folder / "session")
    elif kind == "trees":
        simulate(setting(6.0), folder / "session")
    elif kind == "bank":
        bank = CloudBank(
            at=0.03, until=0.25, edge_min=1.0, transmission=0.02, patchiness=0.4, size_deg=1.5, glow=0.01
        )
        simulate(scenario(bank, hours=0.3), folder / "session")
    elif kind == "dusty":
        simulate(scenario(hours=0.5, dust=DUST), folder / "session")
    elif kind == "leaving":
        simulate(scenario(DriveStop(at=0.1), hours=0.25), folder / "session")
    else:
        fast = SMALL.model_copy(update={"file_format": kind})
        simulate(scenario(hours=0.1, camera=fast), folder / "session")
    replay(ReplayRequest(folder / "session", folder / "out"))
    return folder


def session(kind: str, to: Path) -> Path:
    """Return a copy of a session: `cloudy` (24 frames), `leaving`, `bracketed`, or six frames of a format."""
    shutil.copytree(_made(kind), to, dirs_exist_ok=True)
    return to


def pictures_of(folder: Path) -> list[Path]:
    return sorted(path for path in (folder / "session" / "DCIM").rglob("*") if path.is_file())


def decoded(path: Path) -> list[NDArray[np.uint8]]:
    """The pictures of a film, (n, size, size, 3)."""
    with av.open(str(path)) as container:
        return [np.asarray(frame.to_ndarray(format="rgb24"), np.uint8) for frame in container.decode(video=0)]
