"""One small change of the code at a time: how many of them do the nearest tests see?

    python -m tests.mutants --sample 300 --seed 11           # a seeded sample of all changes
    python -m tests.mutants --only tracker --sample 50       # of the files whose name contains it
    python -m tests.mutants --part 1/8                       # the first eighth of the sample

It works in a copy of the project, one process for each change, and prints what survived with its line.
"""

import argparse
import ast
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).parents[1]
# what is changed, and the tests that stand nearest to it: those of the file, then those of its folder
NEAREST = {
    "meterd/core/registers": ("tests/core/registers", "tests/core/energy/test_batch.py"),
    "meterd/core/balance": ("tests/core/balance",),
    "meterd/core/pv": ("tests/core/pv",),
    "meterd/adapters/sources/payloads.py": (
        "tests/adapters/sources/test_payloads.py",
        "tests/adapters/sources/test_mqtt.py",
    ),
}
OTHER = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
LARGE = ("hypothesis", "numpy", "pandas", "scipy.stats", "scipy.sparse.linalg")  # loaded once, before any change
SLOWEST = 8.0  # times as long as the unchanged code takes: an endless loop is seen, too
LEAST_S = 20.0
SURVIVED, KILLED, LATE = "survived", "killed", "endless"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: in which file, at which node of its tree, and in which way."""

    file: str
    node: int
    line: int
    words: str


def places(file: str) -> Iterator[Mutant]:
    """Every change that can be made in a file; constants of docstrings and annotations are none."""
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    silent = _silent(tree)
    for number, node in enumerate(ast.walk(tree)):
        if id(node) not in silent and (text := _change(deepcopy(node))):
            yield Mutant(file, number, getattr(node, "lineno", 0), text)


def _silent(tree: ast.AST) -> set[int]:
    """What says nothing at run time: annotations, docstrings, assertions, messages, slots of a class."""
    results: set[int] = set()
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.arg | ast.AnnAssign):
            parts = [node.annotation]
        elif isinstance(node, ast.FunctionDef):
            parts = [node.returns, *node.decorator_list]
        elif isinstance(node, ast.ClassDef):
            parts = [*node.decorator_list]
        elif isinstance(node, ast.keyword) and node.arg == "strict":  # of zip: an assertion
            parts = [node.value]
        elif isinstance(node, ast.Assert | ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom):
            parts = [node]
        results |= {id(inner) for part in parts if part is not None for inner in ast.walk(part)}
    return results


def _change(node: ast.AST) -> str:
    """Change a node in place; in which way, empty where there is none."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in OTHER:
        old = type(node.ops[0])
        node.ops[0] = OTHER[old]()
        return f"{old.__name__} -> {OTHER[old].__name__}"
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in OTHER:
        old = type(node.op)
        node.op = OTHER[old]()
        return f"{old.__name__} -> {OTHER[old].__name__}"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        text = f"without {type(node.op).__name__}"
        node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()
        if isinstance(node.op, ast.Not):
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
        return text
    if isinstance(node, ast.Constant) and type(node.value) in (bool, int, float):
        old_value = node.value
        node.value = (not old_value) if isinstance(old_value, bool) else old_value + 1
        return f"{old_value} -> {node.value}"
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES:
        text = f"{node.func.id} -> {NAMES[node.func.id]}"
        node.func.id = NAMES[node.func.id]
        return text
    if isinstance(node, ast.If | ast.IfExp):
        text = f"condition {ast.unparse(node.test)} always true"
        node.test = ast.Constant(True)
        return text
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        text = f"without {ast.unparse(node)}"
        node.value = ast.Constant(None)
        return text
    return ""


def mutated(mutant: Mutant) -> str:
    """The text of the file with the change."""
    tree = ast.parse((ROOT / mutant.file).read_text(encoding="utf-8"))
    for number, node in enumerate(ast.walk(tree)):
        if number == mutant.node:
            _change(node)
            break
    return ast.unparse(ast.fix_missing_locations(tree))


def tests_for(file: str) -> list[str]:
    """The nearest tests: that of the file itself first."""
    near = next(tests for start, tests in NEAREST.items() if file.startswith(start))
    own = Path(near[0]) / f"test_{Path(file).name}"
    return [*([str(own)] if (ROOT / own).exists() else []), *near]


def run(copy: Path, tests: list[str], limit_s: float) -> str:
    """Run tests in a child process that has the large libraries loaded already."""
    child = os.fork()
    if not child:
        _run_here(copy, tests)
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return SURVIVED if os.waitstatus_to_exitcode(status) == 0 else KILLED
        time.sleep(0.02)
    os.kill(child, 9)
    os.waitpid(child, 0)
    return LATE


def _run_here(copy: Path, tests: list[str]) -> None:
    import pytest

    os.chdir(copy)
    sys.path[:] = [str(copy), *(path for path in sys.path if Path(path or ".").resolve() != ROOT)]
    sys.modules.pop("tests", None)  # it stands for the folder of the original
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    options = ["-n", "0", "-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", "--hypothesis-seed=11"]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # of what was loaded before
    os._exit(int(pytest.main([*options, *tests])))


def _copy(folder: Path) -> Path:
    copy = folder / "project"
    unneeded = shutil.ignore_patterns(
        ".git", ".venv", "__pycache__", ".hypothesis", "*.sqlite*", ".mypy_cache", ".ruff_cache"
    )
    shutil.copytree(ROOT, copy, ignore=unneeded)
    return copy


def _files(only: str) -> list[str]:
    results = []
    for start in NEAREST:
        path = ROOT / start
        matches = [path] if path.is_file() else sorted(path.glob("*.py"))
        results += [str(file.relative_to(ROOT)) for file in matches if only in str(file)]
    return results


def main() -> None:
    """Run what is asked for and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, default=300)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--part", default="1/1", help="which part of the sample")
    parser.add_argument("--only", default="", help="files whose name contains it")
    arguments = parser.parse_args()
    for name in LARGE:
        import_module(name)
    sys.dont_write_bytecode = True
    mutants = [mutant for file in _files(arguments.only) for mutant in places(file)]
    chosen = random.Random(arguments.seed).sample(mutants, min(arguments.sample, len(mutants)))
    chosen.sort(key=lambda mutant: (mutant.file, mutant.line))
    part, parts = map(int, arguments.part.split("/"))
    chosen = chosen[len(chosen) * (part - 1) // parts : len(chosen) * part // parts]
    results: Counter[str] = Counter()
    limits: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = _copy(Path(folder))
        for mutant in chosen:
            tests = tests_for(mutant.file)
            if mutant.file not in limits:
                begun = time.monotonic()
                assert run(copy, tests, 600) == SURVIVED, f"the tests of {mutant.file} fail without a change"
                limits[mutant.file] = max(LEAST_S, SLOWEST * (time.monotonic() - begun))
            target = copy / mutant.file
            target.write_text(mutated(mutant), encoding="utf-8")
            result = run(copy, tests, limits[mutant.file])
            shutil.copy(ROOT / mutant.file, target)
            results[result] += 1
            if result == SURVIVED:
                print(f"{mutant.file}:{mutant.line}: {mutant.words}", flush=True)
    killed = len(chosen) - results[SURVIVED]
    print(
        f"{killed} of {len(chosen)} killed ({killed / max(1, len(chosen)):.1%}), of {len(mutants)} possible; {dict(results)}"
    )


if __name__ == "__main__":
    main()
