"""The house rules a reader relies on: rooms import only earlier rooms, and the core does no I/O."""

import ast
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1] / "sentinel"

# Rooms in the order of the flow; a room may import itself and anything before it.
ORDER = [
    "errors", "times", "clock", "files", "complaints", "plain_yaml", "records", "settings", "tables",
    "sky", "measure", "simulate", "intake", "forecast", "judge", "notify", "pipeline", "journal", "delivery",
    "report", "status", "runner", "watch", "replay", "plan", "align", "tune", "cli",
]  # fmt: skip
CORE = ["times", "records", "sky", "measure", "forecast", "judge", "pipeline"]
IO_MODULES = {"os", "pathlib", "sqlite3", "time", "logging", "socket", "subprocess", "urllib", "shutil", "io"}


def sources(room: str) -> list[Path]:
    folder = HOUSE / room
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            if node.module == "sentinel":
                names |= {f"sentinel.{alias.name}" for alias in node.names}
    return names


def present(rooms: list[str]) -> list[str]:
    return [room for room in rooms if (HOUSE / room).is_dir() or (HOUSE / f"{room}.py").is_file()]


def test_every_room_is_in_the_order() -> None:
    there = {p.stem for p in HOUSE.iterdir() if p.suffix == ".py" or (p.is_dir() and any(p.glob("*.py")))}
    assert there - {"__init__", "__main__"} <= set(ORDER)


@pytest.mark.parametrize("room", present(ORDER))
def test_a_room_imports_only_earlier_rooms(room: str) -> None:
    allowed = set(ORDER[: ORDER.index(room) + 1])
    for path in sources(room):
        for name in imports(path):
            parts = name.split(".")
            if parts[0] == "sentinel" and len(parts) > 1 and parts[1] != "__version__":
                assert parts[1] in allowed, f"{path.relative_to(HOUSE)} imports {name}"


@pytest.mark.parametrize("room", present(CORE))
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


def test_a_module_can_be_read_at_one_sitting() -> None:
    long = {
        str(path.relative_to(HOUSE)): lines for path in HOUSE.rglob("*.py") if (lines := length(path)) > 400
    }
    assert not long


def length(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())
