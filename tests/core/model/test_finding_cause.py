"""One table of causes: every finding of the source has its row, every row is made, and the running daemon reaches every maker."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from meterd.adapters.texts import wording
from meterd.core.model.finding_cause import CAUSES, EVENTS, SILENCE, Urgency, cause_of, rank, remedy
from meterd.core.texts.finding_translation import Kind
from tests.source_trees import PACKAGE, forget_trees, nodes, paths  # noqa: F401 - a fixture of this file
from tests.source_trees import trees as all_trees

TABLE = PACKAGE / "core" / "model" / "finding_cause.py"
START = PACKAGE / "app" / "daemon" / "daemon.py"


@pytest.fixture(scope="module", autouse=True)
def forget_bodies() -> Iterator[None]:
    """What is remembered of trees would keep them."""
    yield
    references.cache_clear()
    bodies_of.cache_clear()


def trees() -> dict[Path, ast.Module]:
    """The source of the program, but for the table."""
    return {paths()[name]: tree for name, tree in all_trees().items() if paths()[name] != TABLE}


def constants() -> dict[str, set[str]]:
    """What names at the head of a module stand for, by name."""
    results: dict[str, set[str]] = {}
    for tree in trees().values():
        for node in tree.body:
            if not isinstance(node, ast.Assign):
                continue
            for target in node.targets:
                pairs = (
                    zip(target.elts, node.value.elts, strict=False)
                    if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
                    else [(target, node.value)]
                )
                for name, value in pairs:
                    if isinstance(name, ast.Name) and isinstance(value, ast.Constant) and isinstance(value.value, str):
                        results.setdefault(name.id, set()).add(value.value)
    return results


def made() -> Iterator[tuple[str, str]]:
    """(place, cause) of every finding whose cause can be read where it is made."""
    known = constants()
    for path, tree in trees().items():
        for node in nodes(tree):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if called not in ("Finding", "_tell"):
                continue
            place, first = f"{path.relative_to(PACKAGE)}:{node.lineno}", node.args[0]
            if isinstance(first, ast.Constant):
                yield place, first.value
            elif isinstance(first, ast.JoinedStr):
                assert isinstance(first.values[0], ast.Constant)
                yield place, first.values[0].value + "x"
            elif isinstance(first, ast.Name):
                yield from ((place, cause) for cause in known.get(first.id, ()) if re.fullmatch("[a-z-]+", cause))


def test_every_finding_that_is_made_has_a_row() -> None:
    results = list(made())
    assert len(results) > 30
    assert [(place, cause) for place, cause in results if cause_of(cause) is None] == []


def test_every_row_is_a_cause_that_the_program_can_find() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in trees())
    assert [cause.name for cause in CAUSES if f'"{cause.name}' not in text] == []


def test_the_order_of_the_table_is_the_order_of_urgency() -> None:
    """The site that is silent, a disk that is full and a thread that hangs stand before a meter that drifts."""
    assert [cause.urgency for cause in CAUSES] == sorted(cause.urgency for cause in CAUSES)
    assert len({cause.name for cause in CAUSES}) == len(CAUSES)
    assert (
        max(map(rank, ("silent", "disk-low", "thread-hangs", "store")))
        < rank("demand-limit")
        < rank("stale")
        < rank("drift")
    )
    assert rank("refused-import") == rank("refused-export") < rank("of an older program")
    assert {cause_of(name).urgency for name in SILENCE} == {Urgency.BLIND, Urgency.PART}  # type: ignore[union-attr]
    assert "reset" in EVENTS
    assert "stale" not in EVENTS


@pytest.mark.parametrize("cause", [cause.name for cause in CAUSES])
def test_every_remedy_of_the_table_is_known_in_german(cause: str) -> None:
    pieces = wording.phrases("de").read(remedy(cause))
    assert all(piece.kind is not Kind.FOREIGN for piece in pieces), remedy(cause)


# -- reached from the daemon -------------------------------------------------------------------------------------------

Function = ast.FunctionDef | ast.AsyncFunctionDef


@cache
def references(node: ast.AST) -> frozenset[str]:
    """Every name and attribute that a piece of source mentions; annotations are no texts here."""
    return frozenset(
        item.id if isinstance(item, ast.Name) else item.attr
        for item in ast.walk(node)
        if isinstance(item, ast.Name | ast.Attribute)
    )


@cache
def bodies_of(tree: ast.Module) -> list[tuple[str, ast.AST]]:
    """What runs if a name of a module is called: functions, special methods of classes, what is assigned."""
    results: list[tuple[str, ast.AST]] = []
    for node in nodes(tree):
        if isinstance(node, Function):
            results.append((node.name, node))
        elif isinstance(node, ast.ClassDef):
            results += [(node.name, n) for n in node.body if isinstance(n, Function) and n.name.startswith("__")]
        elif isinstance(node, ast.Assign):
            results += [(target.id, node.value) for target in node.targets if isinstance(target, ast.Name)]
    return results


def reached(trees: dict[Path, ast.Module], start: Path) -> set[str]:
    """Names of functions that the functions of a module may call, directly or not. A name stands for all that bear it."""
    bodies: dict[str, list[ast.AST]] = {}
    for tree in trees.values():
        for name, body in bodies_of(tree):
            bodies.setdefault(name, []).append(body)
    known, waiting = set[str](), set(references(trees[start]))
    while waiting:
        name = waiting.pop()
        if name not in known and name in bodies:
            known.add(name)
            waiting |= set().union(*(references(body) for body in bodies[name])) - known
    return known


def makers(trees: dict[Path, ast.Module]) -> Iterator[tuple[str, str]]:
    """(place, name) of every function that returns findings."""
    for path, tree in trees.items():
        for node in nodes(tree):
            if isinstance(node, Function) and node.returns is not None and "Finding" in references(node.returns):
                yield f"{path.name}:{node.lineno}", node.name


def test_every_function_that_returns_findings_is_reached_from_the_daemon() -> None:
    """`ratio_check` had 14 passing tests and a row in the table of faults, and nothing in the product called it."""
    results = reached(trees(), START)
    every = list(makers(trees()))
    assert len(every) > 40
    assert [(place, name) for place, name in every if name not in results] == []


def test_a_function_that_only_its_tests_call_would_be_seen() -> None:
    watcher = PACKAGE / "app" / "daemon" / "finding_job.py"
    without = ast.parse(
        watcher.read_text(encoding="utf-8").replace("ratio_findings(site, state.instant, now_ms)", "[]")
    )
    results = reached({**trees(), watcher: without}, START)
    assert "ratio_findings" not in results
