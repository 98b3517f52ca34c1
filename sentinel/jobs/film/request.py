"""What film is asked for, checked before any picture is read."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from sentinel.chain.intake.workers import OnCluster
from sentinel.core.errors import RequestProblem
from sentinel.core.words import either
from sentinel.jobs.share.plan import FILM_NAME, PUBLIC_FILM_NAME
from sentinel.jobs.steady import Up

Stamp = Literal["utc", "local", "place", "altitude"]
STAMPS: tuple[Stamp, ...] = get_args(Stamp)

SIZES_PX = (160, 4320)
"""The smallest on which words can be read, and the largest that players take."""
RADII = (0.2, 20.0)
FPS = (1.0, 120.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmRequest:
    """What is to be shown of which session, and how."""

    folder: Path
    out: Path | None = None
    configs: Sequence[Path] = ()
    frames: Path | None = None
    """Where the pictures lie, if they do not where they did."""
    up: Up | None = None
    """None: solar north where the session tells it well enough, else as the camera stores it."""
    steady: bool = True
    """The sun in the middle; else the frames as they were, with their edge."""
    radii: float = 1.25
    """How far each way the picture reaches, in the sun's radii."""
    size_px: int = 1080
    fps: float = 30.0
    even: bool = False
    """Every disc as bright as the session's median one."""
    stamps: frozenset[Stamp] = frozenset(STAMPS)
    stills: bool = False
    """A folder of single pictures, and no film."""
    name_dust: bool = False
    """Rings about what sits on the sensor, with the names that the report gives it."""
    public: bool = False
    """Nothing in it from which the place follows to better than a tenth of a degree."""
    on: OnCluster | None = None
    """Where the pictures are made, if not here."""
    replace: bool = False
    """Whether what is there already may be written over."""

    def __post_init__(self) -> None:
        _within(self.size_px, SIZES_PX, "--size", "pixels")
        _within(self.radii, RADII, "--radii", "radii of the sun")
        _within(self.fps, FPS, "--fps", "pictures a second")
        if self.size_px % 2:
            raise RequestProblem(
                f"{self.size_px} pixels are an odd number, which no player takes", where="--size",
                mend=f"ask for {self.size_px + 1}",
            )  # fmt: skip
        if not self.steady and self.up not in (None, "camera"):
            raise RequestProblem(
                "frames as they were are not turned", where="--up", mend="leave out --up or --steady none"
            )
        if self.public:
            self._require_untelling()

    def _require_untelling(self) -> None:
        """Complain of what would tell the place."""
        telling = (
            (not self.steady, "--steady none", "the sun's way through the frame tells the place"),
            (self.name_dust, "--name-dust", "dust shows the sun's way through the frame"),
            (self.up in ("zenith", "camera"), "--up", "how spots turn against it tells the place"),
        )
        for wrong, where, why in telling:
            if wrong:
                raise RequestProblem(f"{why}, which --public is not to", where=where, mend="leave it out")

    @property
    def wanted_up(self) -> Up | None:
        """What is to be up: frames as they were leave no choice, and a public film needs a known one."""
        if not self.steady:
            return "camera"
        return self.up or ("solar-north" if self.public else None)

    @property
    def usual_name(self) -> str:
        """The result's name where none is given."""
        name = PUBLIC_FILM_NAME if self.public else FILM_NAME
        return name.removesuffix(".mp4") if self.stills else name


def _within(value: float, limits: tuple[float, float], where: str, of: str) -> None:
    if not limits[0] <= value <= limits[1]:
        raise RequestProblem(
            f"{value:g} is not possible", where=where, mend=f"give {limits[0]:g} to {limits[1]:g} {of}"
        )


def read_stamps(text: str | None) -> frozenset[Stamp]:
    """Return what is to stand on every picture: `utc,altitude`, `none`, or all of it if nothing is said."""
    if text is None:
        return frozenset(STAMPS)
    names = [name.strip() for name in text.split(",") if name.strip()]
    if names == ["none"]:
        return frozenset()
    known: dict[str, Stamp] = {name: name for name in STAMPS}
    for name in names:
        if name not in known:
            raise RequestProblem(
                f"there is no {name!r}", where="--stamp", mend=f"give {either([*STAMPS, 'none'])}"
            )
    return frozenset(known[name] for name in names)


def read_up(text: str | None) -> Up | None:
    """Return which way is to be up."""
    known: dict[str, Up] = {name: name for name in get_args(Up)}
    if text is None:
        return None
    if text not in known:
        raise RequestProblem(f"there is no {text!r}", where="--up", mend=f"give {either([*known])}")
    return known[text]


def output_of(request: FilmRequest, usual: str) -> Path:
    """Return where the result goes; what is there already is not written over unasked.

    Raises `RequestProblem` if something is there, or the folder above is not.
    """
    if not request.folder.is_dir():
        raise RequestProblem(
            "there is no such folder", where=str(request.folder), mend="give the folder of a watch or replay"
        )
    out = request.out or request.folder / usual
    if out.exists() and not request.replace:
        raise RequestProblem("is there already", where=str(out), mend="name another --out, or add --replace")
    if request.stills and out.is_file():
        raise RequestProblem("is a file, where a folder is needed", where=str(out), mend="name another --out")
    if not request.stills and out.is_dir():
        raise RequestProblem(
            "is a folder, where a file is needed", where=str(out), mend=f"name {out}/{usual}"
        )
    if not out.absolute().parent.is_dir():
        raise RequestProblem("its folder does not exist", where=str(out), mend="create it, or name another")
    return out
