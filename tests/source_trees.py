"""The source of the program as syntax trees, for the tests that read it; parsed when one asks, not when all are collected."""

import ast
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
    """The syntax tree of every module by its name."""
    return {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in paths().items()}


@pytest.fixture(scope="module", autouse=True)
def forget_trees() -> Iterator[None]:
    """Whoever imports this lets go of them afterwards: garbage collection would look through them in every later test."""
    yield
    trees.cache_clear()


def _name(path: Path) -> str:
    parts = ("meterd", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
