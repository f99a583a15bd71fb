"""Files are pure, folders touch the world; files import only what stands upstream; folders do not know each other."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "meterd"
FLOW = (  # the order of the data
    "errors", "naming", "reading", "finding", "phrases", "site", "site_change", "finder", "single_line", "meter_clock",
    "interval", "zone_change", "health", "knots", "register", "correction", "exchange", "rollup", "figure", "completeness",
    "snapshot", "ratio_check", "uncertainty", "point_check", "balance", "reconciliation", "network",
    "network_flows", "drift_day", "drift_fit", "drift_chart", "causes", "drift_factor", "drift_name",
    "drift_silent", "drift", "drift_state", "drift_gross", "drift_drill", "visible", "commissioning", "loading",
    "surplus", "pv_month", "plausible", "apportion", "sharing", "loads", "pv_ahead", "room", "rotation",
    "allocation", "same_time", "pv_shares", "cost_allocation", "share_book", "books", "bulk", "explain",
    "report_figures", "report", "row", "share_rows", "derived", "senml", "message", "fleet", "agreement",
    "staleness", "conditions", "grouping", "notice", "clock_change", "pipeline",
)  # fmt: skip
ROOM_MAY_IMPORT = {
    "mqtt": set(),
    "sources": {"mqtt"},
    "store": set(),
    "publish": {"mqtt"},
    "demo": {"mqtt"},
    "notify": set(),
    "papers": set(),
    "page": set(),
    "app": {"mqtt", "sources", "store", "publish", "demo", "notify", "page", "papers"},
}
PURE_MAY_IMPORT = {
    "meterd", "numpy", "scipy", "array", "bisect", "cmath", "collections", "contextlib", "dataclasses", "datetime",
    "decimal", "enum", "fractions", "functools", "heapq", "itertools", "json", "math", "operator", "re",
    "statistics", "string", "types", "typing", "unicodedata", "weakref", "zoneinfo",
}  # fmt: skip
NOT_PURE = {
    "open",
    "print",
    "input",
    "now",
    "utcnow",
    "today",
    "read_csv",
    "read_parquet",
    "to_sql",
    "to_csv",
    "load",
    "time_ns",
}


def files() -> Iterator[tuple[Path, ast.Module]]:
    """Every module of the package, parsed."""
    for path in sorted(PACKAGE.rglob("*.py")):
        yield path, ast.parse(path.read_text(encoding="utf-8"))


def imports(tree: ast.Module) -> Iterator[str]:
    """Every imported module name, wherever it is imported."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide where a name comes from"
            assert node.module is not None
            if node.module == "meterd":
                yield from (f"meterd.{alias.name}" for alias in node.names)
            else:
                yield node.module


def is_pure(path: Path) -> bool:
    """Whether it is a file beside the rooms."""
    return path.parent == PACKAGE and path.name != "__init__.py"


@pytest.mark.parametrize("path", [p for p, _ in files() if is_pure(p)], ids=lambda p: p.stem)
def test_pure_file_imports_only_upstream_and_touches_nothing(path: Path) -> None:
    """No room, no I/O, no clock; of ours only what stands before it in the flow."""
    assert path.stem in FLOW, f"put {path.stem} where it belongs in the flow of the data"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for name in imports(tree):
        top, _, rest = name.partition(".")
        assert top in PURE_MAY_IMPORT, f"{path.stem} imports {name}"
        if top == "meterd":
            assert rest in FLOW, f"{path.stem} imports the room {rest}"
            assert FLOW.index(rest) < FLOW.index(path.stem), f"{path.stem} imports {rest}, which is downstream"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            named = (
                called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
            )
            assert named not in NOT_PURE, f"{path.stem} line {node.lineno} calls {named}()"


def test_every_pure_file_of_the_flow_exists() -> None:
    """The flow names no file that has gone."""
    assert [name for name in FLOW if not (PACKAGE / f"{name}.py").exists()] == []


@pytest.mark.parametrize(
    "path", [p for p, _ in files() if p.parent != PACKAGE], ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_room_knows_only_the_rooms_it_may(path: Path) -> None:
    """A room imports files freely and other rooms only as listed."""
    room = path.relative_to(PACKAGE).parts[0]
    for name in imports(ast.parse(path.read_text(encoding="utf-8"))):
        parts = name.split(".")
        if parts[0] == "meterd" and len(parts) > 1 and parts[1] in ROOM_MAY_IMPORT and parts[1] != room:
            assert parts[1] in ROOM_MAY_IMPORT[room], f"{room} imports {name}"
        if room == "mqtt" and parts[0] == "meterd" and len(parts) > 1:
            assert parts[1] in ("mqtt", "errors"), "mqtt carries bytes and knows no readings"
