"""Secrets: where they come from, and that they turn up nowhere else."""

import logging
import os
import pickle
from pathlib import Path

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Channel
from sentinel.service.delivery.secrets import Secret, resolve
from sentinel.service.delivery.worker import Worker
from tests.delivery.receivers import (
    PASSWORD,
    TOKEN,
    ManualClock,
    alert,
    http_receiver,
    secret_file,
    session,
    settings_for,
    settle,
    turning,
)


def test_a_secret_is_not_shown_by_accident() -> None:
    secret = Secret("geheim")
    for text in (str(secret), repr(secret), f"{secret}", f"{secret!s:>5}", f"{[secret]}"):
        assert "geheim" not in text
    with pytest.raises(TypeError):
        pickle.dumps(secret)
    assert secret.reveal() == "geheim"


def test_it_comes_from_the_environment_a_credential_or_a_private_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PHONE_URL", " json://x/y \n")
    assert resolve("env:PHONE_URL", where="w").reveal() == "json://x/y"
    assert resolve(secret_file(tmp_path, "f", "json://x/z\n"), where="w").reveal() == "json://x/z"
    # systemd's own files may look readable to a group; who may read them is settled elsewhere.
    (tmp_path / "phone").write_text("json://x/c")
    (tmp_path / "phone").chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert resolve("credential:phone", where="w").reveal() == "json://x/c"


@pytest.mark.parametrize(
    ("reference", "says"),
    [
        ("env:NOT_SET_AT_ALL", "NOT_SET_AT_ALL is not set"),
        ("credential:phone", "no credentials folder"),
        ("credential:../phone", "not a credential's name"),
        ("file:{}/none", "cannot be read .No such file"),
        ("file:{}", "is not a file"),
        ("file:{}/open", "can be read by others .mode 644.; chmod 600"),
        ("file:{}/empty", "does not hold one address"),
        ("file:{}/two", "does not hold one address"),
        ("file:{}/pipe", "is not a file"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_without_the_secret(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reference: str, says: str
) -> None:
    if ".." in reference:
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    else:
        monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    for name, text, mode in (("open", "s3cret", 0o644), ("empty", "", 0o600), ("two", "s3cret other", 0o600)):
        (tmp_path / name).write_text(text)
        (tmp_path / name).chmod(mode)
    os.mkfifo(tmp_path / "pipe", 0o600)
    with pytest.raises(RequestProblem, match=says) as caught:
        resolve(reference.format(tmp_path), where="channel phone")
    assert "s3cret" not in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("owner", "taken"), [("nobody", False), ("me", True), ("root", True)])
def test_a_file_of_its_own_is_the_service_users_or_roots(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, owner: str, taken: bool
) -> None:
    reference, status = secret_file(tmp_path, "f", "json://x/z"), os.fstat
    monkeypatch.setattr(os, "getuid", lambda: 996)
    uid = {"nobody": 65534, "me": 996, "root": 0}[owner]
    # (mode, inode, device, links, user, ...): only root may give a file away.
    monkeypatch.setattr(os, "fstat", lambda file: os.stat_result((*status(file)[:4], uid, *status(file)[5:])))
    if taken:
        assert resolve(reference, where="w").reveal() == "json://x/z"
    else:
        with pytest.raises(RequestProblem, match="belongs to somebody else"):
            resolve(reference, where="w")


@pytest.mark.parametrize("mode", ["fine", "500", "slam", "half"])
def test_nothing_of_an_address_is_logged_stored_or_shown_even_at_debug(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str], mode: str
) -> None:
    caplog.set_level(logging.DEBUG)
    for name in ("apprise", "urllib3", "requests", "sentinel"):
        caplog.set_level(logging.DEBUG, logger=name)
    with http_receiver() as receiver:
        receiver.mode = mode
        channel = Channel(name="phone", url_from=secret_file(tmp_path, "url", receiver.url), deadline_s=60)
        (tmp_path / "state").mkdir()
        with (
            session(tmp_path / "state", settings_for(channel)) as one,
            turning(one, ManualClock()) as worker,
        ):
            one.commit(alert())
            settle(worker)
            troubles = repr(one.troubles())
        assert receiver.tries == 1
    out, err = capfd.readouterr()
    seen = [out, err, caplog.text, troubles, repr(channel), repr(worker.__dict__)]
    seen += [path.read_bytes().decode("latin-1") for path in (tmp_path / "state").iterdir()]
    for text in seen:
        assert TOKEN not in text
        assert PASSWORD not in text


def test_a_secret_that_cannot_be_read_holds_up_its_own_channel_only_and_may_be_mended(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        path = tmp_path / "url"
        phone = Channel(name="phone", url_from=f"file:{path}", deadline_s=60)
        siren = Channel(name="siren", command=("true",))
        clock = ManualClock()
        with session(tmp_path, settings_for(phone, siren)) as one, turning(one, clock) as worker:
            assert isinstance(worker, Worker)
            one.commit(alert())
            settle(worker)
            assert one.states() == {("phone", "waiting"): 1, ("siren", "delivered"): 1}
            assert "No such file" in one.troubles()["phone"]
            secret_file(tmp_path, "url", receiver.url)
            clock.pass_s(60)
            settle(worker)
            assert one.states()["phone", "delivered"] == 1
