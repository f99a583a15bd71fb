"""The source of the program as syntax trees, for the tests that read it; parsed when one asks, not when all are collected."""

import ast
import gc
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "meterd"


@cache
def paths() -> dict[str, Path]:
    """Every file of the program by the name of its module."""
    return {_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


@cache
def trees() -> dict[str, ast.Module]:
    """The syntax tree of every module by its name; half a million objects that garbage collection need not look through."""
    gc.disable()
    try:
        return {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in paths().items()}
    finally:
        gc.freeze()
        gc.enable()


@cache
def nodes(tree: ast.Module) -> list[ast.AST]:
    """What `ast.walk` finds in a module, walked through once for all tests of a file."""
    return list(ast.walk(tree))


@pytest.fixture(scope="module", autouse=True)
def forget_trees() -> Iterator[None]:
    """Whoever imports this lets go of them afterwards: they take much memory in every worker."""
    yield
    trees.cache_clear()
    nodes.cache_clear()


def _name(path: Path) -> str:
    parts = ("meterd", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
