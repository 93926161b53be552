"""The floors: imports go strictly down, or sideways inside one folder; the lower floors touch no world."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import hoofsense

PACKAGE = Path(hoofsense.__file__).parent
DASHBOARDS = PACKAGE.parent / "dashboards"

# Module or folder -> floor. A folder's modules share its floor and may import one another.
FLOORS = {
    "records": 0,
    "units": 0.1,
    "physics": 1,
    "geometry": 1,
    "survival": 1,
    "wire": 1,
    "cautions": 1,
    "decoding": 2,
    "screening": 2.1,
    "estimators": 2,
    "instrument_health": 2.1,
    "practice_settings": 2.1,
    "visit_state": 3,
    "foot_events": 3.1,
    "visit_marks": 3.2,
    "visit": 3.3,
    "verdict_evidence": 3.1,
    "dry_verdicts": 3.2,
    "cure_verdicts": 3.2,
    "verdicts": 3.3,
    "plan_question": 3.2,
    "balance_view": 3.3,
    "plan_view": 3.4,
    "visit_view": 3.4,
    "materials": 4,
    "sources": 4.1,
    "store": 4.1,
    "terminal_words": 4.1,
    "practice_file": 4.2,
    "length_table": 4.2,
    "frames_ahead": 5,
    "foot_history": 5,
    "planning": 5,
    "plan_keeping": 5,
    "collector": 5.1,
    "cure_tables": 5,
    "replaying": 5.2,
    "live_visit": 5.3,
    "instruments_near": 5.3,
    "pairing": 5.3,
    "caliper_checking": 5.3,
    "computer_check": 5.3,
    "rehearsing": 5.3,
    "past_visits": 5.3,
    "calibrating": 5.3,
    "cli": 6,
}
DASHBOARD_FLOOR = 5.5  # the page reads the collector; the command line starts the page

# What the pure floors (below 4) must not import: time, logging, files, sockets, randomness.
WORLDLY = {
    "time", "datetime", "logging", "os", "io", "pathlib", "shutil", "tempfile", "socket", "ssl", "select",
    "asyncio", "threading", "multiprocessing", "subprocess", "random", "secrets", "uuid", "sqlite3", "serial",
    "bleak", "dash", "plotly", "pandas", "click", "importlib",
}  # fmt: skip
# datetime only names a moment a thermometer sent; the decoder never asks what time it is now.
ALLOWED = {("wire/gatt.py", "datetime")}


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write imports in full"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _type_checking_only(path: Path) -> set[str]:
    """Modules imported only for annotations."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            for inner in ast.walk(node):
                if isinstance(inner, ast.ImportFrom):
                    names |= {inner.module or "", *(f"{inner.module}.{alias.name}" for alias in inner.names)}
    return names


def _room(module: str) -> str:
    return module.split(".")[1] if module.count(".") else ""


def _broken_rules(root: Path) -> list[str]:
    broken = []
    for path in sorted(root.rglob("*.py")):
        relative = path.relative_to(root).as_posix()
        room = relative.split("/")[0].removesuffix(".py")
        if room == "__init__":
            continue
        if room not in FLOORS:
            broken.append(f"{relative}: {room!r} is on no floor: place it in FLOORS")
            continue
        floor = FLOORS[room]
        skipped = _type_checking_only(path)
        for module in _imports(path):
            top = module.split(".")[0]
            if top == "hoofsense" and _room(module) in FLOORS and module not in skipped:
                other = _room(module)
                if other != room and FLOORS[other] >= floor:
                    broken.append(f"{relative} (floor {floor}) imports {module} (floor {FLOORS[other]})")
            if top == "dashboards" and floor <= DASHBOARD_FLOOR:
                broken.append(f"{relative} (floor {floor}) imports {module}, which stands above it")
            if floor < 4 and (top in WORLDLY or module.startswith("numpy.random")):
                if (relative, top) not in ALLOWED:
                    broken.append(f"{relative} (a pure floor) imports {module}")
    return broken


def test_imports_go_down_and_the_pure_floors_touch_no_world() -> None:
    assert not (broken := _broken_rules(PACKAGE)), "\n".join(broken)


def test_pure_floors_call_no_random_generator_of_numpy() -> None:
    told = []
    for path in sorted(PACKAGE.rglob("*.py")):
        room = path.relative_to(PACKAGE).as_posix().split("/")[0].removesuffix(".py")
        if FLOORS.get(room, 4) >= 4:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Attribute) or not isinstance(node.value, ast.Name):
                continue
            if node.attr == "random" and node.value.id in ("np", "numpy"):
                told.append(f"{path.relative_to(PACKAGE)}:{node.lineno} uses .random")
    assert not told, "\n".join(told)


def test_the_page_imports_no_source_and_no_command_line() -> None:
    for path in sorted(DASHBOARDS.rglob("*.py")):
        for module in _imports(path):
            assert not module.startswith(("hoofsense.sources", "hoofsense.cli", "hoofsense.live_visit")), (
                f"{path.name} imports {module}"
            )


def test_the_check_says_which_import_broke_the_rule(tmp_path: Path) -> None:
    (tmp_path / "records.py").write_text("import time\nfrom hoofsense.visit import fold\n")
    broken = _broken_rules(tmp_path)
    assert any("imports time" in line for line in broken)
    assert any("hoofsense.visit" in line for line in broken)
