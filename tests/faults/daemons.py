"""Whether a test starts a daemon, as its text says: itself, by a helper, or by a fixture, through any number of them.

A daemon is started where a `Daemon` is made and its `run` is named, or where the command `meterd run` or `meterd demo` stands.
A `Daemon` that only holds a snapshot for the page does not run and does not count.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
COMMANDS = {"run", "demo"}
OURS = {
    "meterd.app.cli.main",
    "--store",
    "--page-port",
}  # beside the word in one list or call: it is our command and not another one's


@dataclass(frozen=True, slots=True)
class Module:
    """What a file of tests defines at its top, and where its other names come from."""

    defined: dict[str, ast.stmt]
    imported: dict[str, tuple[str, str]]


@cache
def module(path: Path) -> Module:
    """A file as far as it is needed here."""
    defined: dict[str, ast.stmt] = {}
    imported: dict[str, tuple[str, str]] = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined[node.name] = node
        elif isinstance(node, ast.Assign):
            defined.update({target.id: node for target in node.targets if isinstance(target, ast.Name)})
        elif isinstance(node, ast.ImportFrom) and node.module:
            imported.update({item.asname or item.name: (node.module, item.name) for item in node.names})
    return Module(defined, imported)


def starts_itself(node: ast.stmt) -> bool:
    """Whether the lines of a definition start a daemon."""
    parts = list(ast.walk(node))
    made = any(
        isinstance(item, ast.Call) and isinstance(item.func, ast.Name) and item.func.id == "Daemon" for item in parts
    )
    run = any(isinstance(item, ast.Attribute) and item.attr == "run" for item in parts)
    return (made and run) or any(_is_command(item) for item in parts)


def _is_command(node: ast.AST) -> bool:
    """Whether a list or the arguments of a call are our command that starts a daemon."""
    parts = node.elts if isinstance(node, ast.List) else node.args if isinstance(node, ast.Call) else []
    arguments = {item.value for item in parts if isinstance(item, ast.Constant) and isinstance(item.value, str)}
    return bool(arguments & COMMANDS and arguments & OURS)


def starts_daemon(path: Path, name: str) -> bool:
    """Whether a definition of a file starts a daemon, or one that it uses does."""
    seen: set[tuple[Path, str]] = set()
    left = [(path, name)]
    while left:
        here = left.pop()
        if here in seen or (node := module(here[0]).defined.get(here[1])) is None:
            continue
        seen.add(here)
        if starts_itself(node):
            return True
        left += used(here[0], node)
    return False


def used(path: Path, node: ast.stmt) -> Iterator[tuple[Path, str]]:
    """Definitions of our tests that a definition names; its parameters may be fixtures of the folders above."""
    result = module(path)
    for part in ast.walk(node):
        name = part.id if isinstance(part, ast.Name) else part.arg if isinstance(part, ast.arg) else ""
        if name in result.defined:
            yield path, name
        elif name in result.imported:
            source, theirs = result.imported[name]
            if source.startswith("tests.") and (file := ROOT / f"{source.replace('.', '/')}.py").is_file():
                yield file, theirs
        elif isinstance(part, ast.arg):
            files = (folder / "conftest.py" for folder in path.parents if folder.is_relative_to(ROOT / "tests"))
            yield from ((file, name) for file in files if file.is_file())
