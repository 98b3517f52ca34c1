"""What is built is what is installed: the wheel holds all that the program and its errors speak of."""

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from sentinel.core.errors import EXTRAS, RequestProblem, need_extra

ROOT = Path(__file__).parent.parent
SOURCES = ("pyproject.toml", "README.md", "sentinel", "config", "systemd")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    for name in SOURCES:
        copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
        copy(ROOT / name, folder / name)
    if subprocess.run([sys.executable, "-c", _NEW_ENOUGH], check=False).returncode:
        pytest.skip("no setuptools here that knows licence expressions")
    command = [sys.executable, "-c", "from setuptools.build_meta import build_wheel; build_wheel('.')"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return next(folder.glob("*.whl"))


_NEW_ENOUGH = "import setuptools, sys; sys.exit(int(setuptools.__version__.split('.')[0]) < 77)"


@pytest.mark.filterwarnings("default")
def test_the_wheel_holds_every_module_and_what_people_are_sent_to(wheel: Path) -> None:
    share = "sentinel-0.1.0.data/data/share/sentinel"
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
        metadata = archive.read("sentinel-0.1.0.dist-info/METADATA").decode()
        example = archive.read(f"{share}/example.yaml")
    sources = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "sentinel").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert sources <= held
    shared = {
        f"sentinel-0.1.0.data/data/share/sentinel/systemd/{p.name}" for p in (ROOT / "systemd").iterdir()
    }
    assert shared <= held
    assert example == (ROOT / "config" / "example.yaml").read_bytes()
    assert "License-Expression: " in metadata


def test_every_pattern_of_package_data_matches_something() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for pattern in project["tool"]["setuptools"]["package-data"]["sentinel"]:
        assert list((ROOT / "sentinel").glob(pattern)), pattern


def test_the_readme_can_be_read_at_one_sitting() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= 150


def test_what_is_missing_is_named_by_the_library_to_install() -> None:
    """Not as an extra of this program: it is on no index, and whoever has the name there may be anybody."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = project["optional-dependencies"]
    del asked["test"]
    assert {name: [library] for name, (library, _) in EXTRAS.items()} == asked
    for path in (ROOT / "sentinel").rglob("*.py"):
        assert "pip install 'sentinel" not in path.read_text(encoding="utf-8"), path


@pytest.mark.parametrize("name", EXTRAS)
def test_an_extra_that_is_not_there_is_one_line(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    need_extra(name)
    monkeypatch.setitem(sys.modules, EXTRAS[name][1], None)
    with pytest.raises(RequestProblem, match=r"needs a library that is not installed; /.*pip install '"):
        need_extra(name)
