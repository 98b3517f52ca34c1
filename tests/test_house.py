"""The house rules a reader relies on: rooms import only earlier rooms, and the core does no I/O."""

import ast
import re
import tomllib
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1] / "sentinel"

# Rooms in the order of the flow; a room may import itself and anything before it.
ORDER = [
    "core.errors", "core.angles", "core.solar_size", "core.times", "core.typed", "core.words", "core.srgb",
    "core.pages",
    "core.clock", "core.files", "core.complaints", "core.plain_yaml", "core.foreseen", "core.detail",
    "core.other_cameras", "core.records", "core.section", "core.contact", "core.monitoring",
    "core.thresholds", "core.settings", "core.explained", "core.tables", "core.growing_table",
    "sky",
    "chain.measure", "chain.intake", "chain.track", "chain.forecast", "chain.following",
    "chain.judge", "chain.notify", "chain.undo", "chain.pipeline", "chain.runner",
    "service.journal", "service.delivery", "service.status", "service.watch",
    "jobs.progress", "jobs.measuring", "jobs.init", "jobs.simulate", "jobs.rehearse", "jobs.steady",
    "jobs.originals", "jobs.trend", "jobs.spots", "jobs.report", "jobs.share", "jobs.replay",
    "jobs.beside", "jobs.plan", "jobs.align", "jobs.tune", "jobs.film", "cli",
]  # fmt: skip
FLOORS = ["core", "sky", "chain", "service", "jobs", "cli"]
CORE = [
    "core.times", "core.words", "core.records", "sky", "chain.measure", "chain.track", "chain.forecast",
    "chain.following", "chain.judge", "chain.pipeline",
]  # fmt: skip
IO_MODULES = {"os", "pathlib", "sqlite3", "time", "logging", "socket", "subprocess", "urllib", "shutil", "io"}


def sources(room: str) -> list[Path]:
    folder = HOUSE.joinpath(*room.split("."))
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


@cache
def imports(path: Path) -> frozenset[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module
            names.add(node.module)
            if node.module in {"sentinel", *(f"sentinel.{floor}" for floor in FLOORS)}:
                names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(names)


def room_of(path: Path) -> str:
    parts = path.relative_to(HOUSE).with_suffix("").parts
    return parts[0] if parts[0] in ORDER else ".".join(parts[:2])


def test_the_listing_shows_the_job() -> None:
    there = {p.name for p in HOUSE.iterdir() if p.is_dir() and any(p.rglob("*.py"))}
    assert there == set(FLOORS)
    for floor in FLOORS:
        assert ast.get_docstring(ast.parse((HOUSE / floor / "__init__.py").read_text(encoding="utf-8"))), (
            floor
        )


def test_every_room_is_in_the_order() -> None:
    modules = {room_of(path) for path in HOUSE.rglob("*.py") if path.parent != HOUSE}
    assert {room.removesuffix(".__init__") for room in modules} - set(FLOORS) <= set(ORDER)


@pytest.mark.parametrize("room", ORDER)
def test_a_room_imports_only_earlier_rooms(room: str) -> None:
    allowed = ORDER[: ORDER.index(room) + 1]
    assert sources(room)
    for path in sources(room):
        for name in imports(path):
            if name.startswith("sentinel.") and name != "sentinel.__version__" and name[9:] not in FLOORS:
                known = any(name[9:] == a or name[9:].startswith(f"{a}.") for a in allowed)
                assert known, f"{path.relative_to(HOUSE)} imports {name}"


@pytest.mark.parametrize("room", CORE)
def test_the_core_does_no_io(room: str) -> None:
    for path in sources(room):
        assert not imports(path) & IO_MODULES, f"{path.relative_to(HOUSE)} does I/O"


def test_only_the_clock_reads_clocks() -> None:
    for path in HOUSE.rglob("*.py"):
        if path.name == "clock.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in {"now", "utcnow", "today"}:
                base = ast.unparse(node.value)
                assert not base.endswith(("datetime", "date", "Time")), f"{path}: {ast.unparse(node)}"
            if isinstance(node, ast.Attribute) and node.attr in {"time", "monotonic", "perf_counter"}:
                assert ast.unparse(node.value) != "time", f"{path}: {ast.unparse(node)}"


# Run, plugged in or asked for by name: `sunpy` gives its pictures only, and
# without `aiosmtpd` its test is skipped.
TOOLS = {"aiosmtpd", "mypy", "pytest-xdist", "ruff", "setuptools", "sunpy", "types-pyyaml"}


def test_every_declared_dependency_is_imported_somewhere() -> None:
    project = tomllib.loads((HOUSE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [project["dependencies"], *project["optional-dependencies"].values()]
    declared = {re.split(r"[^\w-]", one, maxsplit=1)[0].lower() for group in asked for one in group}
    modules = {
        name.partition(".")[0]
        for folder in (HOUSE, HOUSE.parent / "tests")
        for path in folder.rglob("*.py")
        for name in imports(path)
    }
    providers = packages_distributions()
    imported = {package.lower() for name in modules for package in providers.get(name, ())}
    assert not declared - imported - TOOLS
    assert not TOOLS - declared


def test_a_module_can_be_read_at_one_sitting() -> None:
    long = {
        str(path.relative_to(HOUSE)): lines for path in HOUSE.rglob("*.py") if (lines := length(path)) > 400
    }
    assert not long


def length(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())


def test_the_name_of_a_class_means_one_thing_in_the_whole_house() -> None:
    where: dict[str, list[str]] = {}
    for path in sorted(HOUSE.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where.setdefault(node.name, []).append(str(path.relative_to(HOUSE)))
    assert {name: files for name, files in where.items() if len(files) > 1} == {}


def test_angles_are_brought_into_half_a_turn_in_one_place() -> None:
    by_hand = [p.name for p in HOUSE.rglob("*.py") if "% 360 - 180" in p.read_text(encoding="utf-8")]
    assert by_hand == ["angles.py"]


def test_a_benchmark_that_borrows_from_the_tests_finds_them_from_wherever_it_is_started() -> None:
    borrowing = {
        path.name: text
        for path in sorted((HOUSE.parent / "tests" / "benchmarks").glob("*.py"))
        if "\nfrom tests." in (text := path.read_text(encoding="utf-8"))
    }
    assert len(borrowing) > 10
    for name, text in borrowing.items():
        before = text[: text.index("\nfrom tests.")]
        assert "\nsys.path.insert(0, str(" in before, name
