"""The commands that show a session to others."""

from pathlib import Path

from sentinel.cli.common import (
    AsJson,
    ConfigFiles,
    On,
    Send,
    argument,
    command,
    json_line,
    on_cluster,
    option,
    print_screen,
    progress_bar,
)
from sentinel.core.errors import RequestProblem

# Each command imports its rooms itself, so that `--help` and a single frame do not wait for all of them.
# ruff: noqa: PLC0415, T201


@command("film .out/midnight-sun --up zenith --radii 1.5 --stamp utc,altitude")
def film(
    folder: Path = argument(..., "DIR", "The folder that `replay --out` or `watch` wrote."),
    *,
    out: Path | None = option(
        None, "FILE", "DIR/film.mp4 if not given; DIR/film with --png, DIR/strip.png with --strip."
    ),
    up: str | None = option(
        None,
        "solar-north|celestial-north|zenith|camera",
        "What is up; if not given, solar north, where the session tells it.",
    ),
    radii: float = option(1.25, "N", "How far each way the picture reaches, in the sun's radii."),
    size: int = option(1080, "PX", "Width and height of the film."),
    fps: float = option(30.0, "N", "Pictures a second."),
    steady: str = option(
        "sun", "sun|none", "The sun in the middle; or the frames as they were, with their edge."
    ),
    even: bool = option(False, "--even", "Every disc as bright as the median one."),
    stamp: str | None = option(
        None,
        "NAME[,NAME]",
        "What stands on the pictures: utc, local, place, altitude; none; all if not given.",
    ),
    strip: bool = option(False, "--strip", "One picture: the sun each hour along its way over the horizon."),
    name_dust: bool = option(
        False, "--name-dust", "Ring and name what sits on the sensor; nothing is removed."
    ),
    public: bool = option(
        False, "--public", "Nothing from which the place follows to better than 0.1 degree: see DEVELOPERS."
    ),
    png: bool = option(False, "--png", "A folder of single pictures, and no film."),
    frames: Path | None = option(None, "FOLDER", "Where the camera's pictures lie now, if moved."),
    on: On = None,
    send: Send = False,
    replace: bool = option(False, "--replace", "Write over what is there already."),
    config: ConfigFiles = None,
    as_json: AsJson = False,
) -> None:
    """Make a film of a watched or replayed session: the sun held still, turned and stamped.

    Each frame is moved by its measured centre. What was not seen is a card of one second: nothing is
    interpolated, and every frame left out is counted.
    """
    from sentinel.jobs.film import FilmRequest, film, strip_of
    from sentinel.jobs.film.lines import film_lines, json_values, strip_lines
    from sentinel.jobs.film.request import read_stamps, read_up

    if steady not in {"sun", "none"}:
        raise RequestProblem(f"there is no {steady!r}", where="--steady", mend="give sun or none")
    if strip and (png or name_dust or public or on or steady == "none"):
        raise RequestProblem("a strip is one picture by itself", where="--strip", mend="leave out the others")
    request = FilmRequest(
        folder=folder, out=out, configs=config or (), frames=frames, up=read_up(up), steady=steady == "sun",
        radii=radii, size_px=size, fps=fps, even=even, stamps=read_stamps(stamp), stills=png, replace=replace,
        name_dust=name_dust, public=public, on=on_cluster(on, send=send),
    )  # fmt: skip
    with progress_bar() as progress:
        if strip:
            drawn = strip_of(request, progress)
            told, lines = json_values(drawn), strip_lines(drawn)
        else:
            made = film(request, progress)
            told, lines = json_values(made), film_lines(made)
    if as_json:
        print(json_line(told))
    else:
        print_screen(lines)


@command("share /var/lib/sentinel/east /media/disk/sun --public")
def share(
    folder: Path = argument(..., "DIR", "The folder that `replay --out` or `watch` wrote."),
    out: Path = argument(..., "OUT", "A new or empty folder, or an unfinished share."),
    *,
    public: bool = option(
        False, "--public", "Leave out everything that tells the place to better than 0.1°."
    ),
    with_pictures: bool = option(
        False, "--with-pictures", "With --public: the pictures too, drawn anew without metadata."
    ),
    link: bool = option(
        False, "--link", "Hard links in place of copies: no room, but one and the same file."
    ),
    frames: Path | None = option(None, "FOLDER", "Where the pictures are now, if they were moved."),
    config: ConfigFiles = None,
) -> None:
    """Make a folder ready to hand to anybody: pictures, hashes, measurements, report, and how to check them.

    The originals are copied untouched, with a JPEG beside every raw one. Says how large it will be before it
    begins; stopped, it goes on where it was.
    """
    from sentinel.jobs.share.making import plan_share, share
    from sentinel.jobs.share.plan import ShareRequest, require_sense

    request = ShareRequest(
        folder=folder, out=out, configs=config or (), frames=frames, link=link, public=public,
        with_pictures=with_pictures,
    )  # fmt: skip
    require_sense(request)
    plan = plan_share(request)
    print("\n".join(plan.lines), flush=True)
    with progress_bar() as progress:
        shared = share(plan, progress)
    for name in shared.unusable[:12]:
        print(f"Left out  {name}: cannot be read, or is not the picture that was measured")
    kept = f", {shared.kept:,} of them left from before" if shared.kept else ""
    pictures = f"{shared.pictures:,} pictures" if shared.pictures else "no pictures"
    print(f"Ready     {pictures}{kept}; begin with {out / 'index.html'}")
