"""A film, a replay and a tuning by the workers of a real scheduler on loopback: the same as made here."""

from collections.abc import Iterator
from pathlib import Path

import av
import pytest

from sentinel.chain.intake.workers import OnCluster
from sentinel.jobs.film import FilmRequest, film
from sentinel.jobs.film.making import _Tasks
from sentinel.jobs.film.painting import FrameTask, not_painted
from sentinel.jobs.film.session import FilmedSession
from sentinel.jobs.film.story import Shot
from tests.command import runner
from tests.film.sessions import session
from tests.intake.test_cluster import Scheduler


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scheduler]:
    """With two workers."""
    found = Scheduler(tmp_path_factory.mktemp("scheduler"))
    for _ in range(2):
        found.worker()
    found.wait_for(2)
    yield found
    found.close()


def decoded(film_file: Path) -> list[bytes]:
    """Every picture that plays, all of its planes."""
    with av.open(str(film_file)) as container:
        return [frame.to_ndarray().tobytes() for frame in container.decode(video=0)]


def test_a_film_by_workers_is_the_same_to_the_last_bit(scheduler: Scheduler, tmp_path: Path) -> None:
    session("cloudy", tmp_path)
    made = []
    for name, on in (("here", None), ("there", OnCluster(scheduler.address))):
        request = FilmRequest(
            folder=tmp_path / "out", frames=tmp_path / "session", out=tmp_path / name, size_px=240,
            up="camera", stills=True, on=on,
        )  # fmt: skip
        made.append(film(request))
    here, there = ({path.name: path.read_bytes() for path in one.out.iterdir()} for one in made)
    assert len(here) > 15
    assert here == there
    assert [(one.shown, one.failed, one.cards) for one in made] == [(17, 0, 3)] * 2
    films = [
        film(FilmRequest(folder=tmp_path / "out", frames=tmp_path / "session", out=tmp_path / f"{name}.mp4",
                         size_px=240, up="camera", on=on)).out
        for name, on in (("here", None), ("there", OnCluster(scheduler.address)))
    ]  # fmt: skip
    # The encoder's threads may write the same pictures in other bytes.
    assert decoded(films[0]) == decoded(films[1])


def test_pictures_that_the_workers_do_not_see_are_sent_along(
    scheduler: Scheduler, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session("cloudy", tmp_path)
    monkeypatch.chdir(tmp_path)  # the workers stand elsewhere: what is named from here they do not find
    made = {
        name: film(FilmRequest(
            folder=tmp_path / "out", frames=Path("session"), out=tmp_path / name, size_px=240, up="camera",
            stills=True, on=on,
        ))
        for name, on in (
            ("here", None),
            ("unseen", OnCluster(scheduler.address)),
            ("sent", OnCluster(scheduler.address, send=True)),
        )
    }  # fmt: skip
    here, unseen, sent = ([path.read_bytes() for path in sorted(one.out.iterdir())] for one in made.values())
    assert made["unseen"].failed == 17
    assert made["sent"].failed == 0
    assert sent == here != unseen


def test_a_picture_whose_worker_died_is_said_and_counted(tmp_path: Path) -> None:
    session("jpg", tmp_path)
    request = FilmRequest(folder=tmp_path / "out", frames=tmp_path / "session", size_px=240, up="camera")
    opened = FilmedSession(request)
    tasks = _Tasks(request, opened, opened.chosen_up("camera"), 1)
    task = tasks.of(Shot(opened.record.frames[2], 2))
    assert isinstance(task, FrameTask)
    lost = not_painted(task, "its worker died, time and again")
    assert lost.failed == opened.record.frames[2].frame
    assert lost.planes.rgb().max() > 200  # words on a card


def test_replay_and_tune_on_a_cluster_say_what_they_say_here(
    scheduler: Scheduler, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runner(capsys, monkeypatch)
    session("cloudy", tmp_path)
    said = {}
    for name, on in (("here", ()), ("there", ("--on", scheduler.address))):
        out = tmp_path / name / "night"
        out.parent.mkdir()
        status, replayed, wrong = run("replay", tmp_path / "session", "--out", out, *on)
        assert (status, wrong) == (0, "")
        status, tuned, wrong = run("tune", out, "--out", out.parent / "tuned", *on)
        assert (status, wrong) == (0, "")
        words = [text.replace(str(out.parent), "FOLDER") for text in (replayed, tuned)]
        tables = [
            (out.parent / table).read_text() for table in ("night/measurements.ecsv", "tuned/tuning.ecsv")
        ]
        said[name] = words, tables
    assert said["here"] == said["there"]


def test_film_on_nothing_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    session("jpg", tmp_path)
    monkeypatch.setattr("sentinel.chain.intake.cluster.CONNECT_S", 0.5)
    run = runner(capsys, monkeypatch)
    status, _, wrong = run(
        "film",
        tmp_path / "out",
        "--frames",
        tmp_path / "session",
        "--up",
        "camera",
        "--on",
        "tcp://127.0.0.1:9",
    )
    assert status == 2
    assert "no scheduler answers" in wrong
    assert wrong.count("\n") == 1
    assert not (tmp_path / "out" / "film.mp4").exists()
