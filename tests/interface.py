"""What others hold on to: topics, plan keys, JSON fields and parameters of the page, health, metrics, log events, commands
with options, exit codes. It only gains additions.

`data/released/interface.txt` has a line for each that a released version had; `python -m tests.released` renews it.
"""

import argparse
import ast
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any, cast

from fastapi.openapi.utils import get_openapi

from meterd.adapters.planfile import schema
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.adapters.web.app import routes
from meterd.adapters.web.registry import PAGES
from meterd.app.cli import main as command_line
from meterd.app.cli.commands import COMMANDS, Subparsers, add_all
from meterd.core.model.health import Health, SourceState, Versions, as_json, families
from meterd.core.topics.schemas import schemas
from meterd.core.topics.table import ROWS
from tests.source_trees import trees

KEPT = Path(__file__).parent / "data" / "released" / "interface.txt"
STATES = (("new", 0), ("seen", 0), ("explained", 0))
HEALTH = Health("", 0, 0, "", 0, Versions("", "", 0, ""), sources=(SourceState("", "", ""),), findings=STATES)
REMEDY = (
    "a released version had it, and plans, controllers, scripts and stores rely on it: bring it back, at least as another"
    " name of what took its place"
)


@cache
def interface() -> tuple[str, ...]:
    """A line for each thing, in order."""
    lines = {f"topic {row.pattern} [{row.unit}]" for row in ROWS}
    lines |= {f"topic field {name} {path}" for name, results in schemas().items() for path in _paths(results, results)}
    for page in PAGES:
        described = page.answer.model_json_schema(mode="serialization")
        for key in filter(None, (page.key, page.former)):
            lines |= {f"page /{key}"} | {f"page field /api/{key} {path}" for path in _paths(described, described)}
    lines |= set(_plan_keys()) | set(_commands()) | set(_asked()) | set(_health()) | set(_events())
    lines |= {f"exit code {getattr(command_line, name)} {name.lower()}" for name in ("DONE", "FAILED", "WRONG")}
    return tuple(sorted(lines))


def _asked() -> Iterator[str]:
    """Addresses of the page that programs ask, with their parameters."""
    for path, ways in get_openapi(title="", version="", routes=list(routes()))["paths"].items():
        for way, described in ways.items():
            yield f"page asks {way} {path}"
            yield from (f"page asks {way} {path} ?{asked['name']}" for asked in described.get("parameters", ()))


def _health() -> Iterator[str]:
    """Fields of /health and /ready, and the families of /metrics with their labels."""
    yield from (f"page field /health {path}" for path in _fields(json.loads(as_json(HEALTH))))
    for family in families(HEALTH):
        labels = sorted({label for labels, _ in family.samples for label in labels})
        yield f"metric {family.name} {family.kind} {' '.join(labels)}".rstrip()


def _fields(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for name, inside in value.items():
            yield f".{name}"
            yield from (f".{name}{path}" for path in _fields(inside))
    for item in value if isinstance(value, list) else ():
        yield from (f"[]{path}" for path in _fields(item))


def _events() -> Iterator[str]:
    """Log events that are written out where they are logged."""
    for tree in trees().values():
        for node in ast.walk(tree):
            named = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "about"
            if named and node.args and isinstance(node.args[0], ast.Constant):
                yield f"log event {node.args[0].value}"


def _plan_keys() -> Iterator[str]:
    for name, table in vars(schema).items():
        if isinstance(table, type) and issubclass(table, schema.Table) and table is not schema.Table:
            own = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name.removesuffix("Table").removesuffix("Row")).lower()
            yield from (f"plan {own}.{key}" for key in schema.columns(table))
    for name, protocol in PROTOCOLS.items():
        yield from (f"plan source.{field.name} of {name}" for field in fields(protocol.settings))


def _commands() -> Iterator[str]:
    for name in COMMANDS:
        parser = argparse.ArgumentParser()
        commands = cast("Subparsers", parser.add_subparsers())
        add_all(commands, name)
        yield f"command {name}"
        for action in commands.choices[name]._actions:
            yield from (f"command {name} {option}" for option in action.option_strings or [str(action.metavar)])
            yield from (f"command {name} {action.dest} {choice}" for choice in action.choices or ())


def _paths(node: Mapping[str, Any], whole: Mapping[str, Any], above: tuple[str, ...] = ()) -> Iterator[str]:
    """Every field of a JSON Schema by its path; `[]` is an item of a list, `*` of a table by name."""
    for part in (*node.get("anyOf", ()), *node.get("oneOf", ()), *node.get("allOf", ())):
        yield from _paths(part, whole, above)
    if (reference := node.get("$ref")) and above.count(reference) == 0:
        own = whole["$defs"][reference.rpartition("/")[2]]
        yield from _paths(own, whole, (*above, reference))
    for word in node.get("enum", ()):
        yield f"= {word}"
    for mark, inside in (("[]", node.get("items")), ("*", node.get("additionalProperties"))):
        if isinstance(inside, dict):
            yield from (f"{mark}{path}" for path in _paths(inside, whole, above))
    for name, inside in node.get("properties", {}).items():
        yield f".{name}"
        yield from (f".{name}{path}" for path in _paths(inside, whole, above))


def removed(stored: Iterable[str], now: Iterable[str]) -> list[str]:
    """What was there and is not any more, in words."""
    return [f"{line} is gone; {REMEDY}" for line in sorted(set(stored) - set(now))]


def write() -> None:
    """Renew the list, for a release; refuses to lose a line."""
    now = interface()
    assert not KEPT.exists() or not (text := removed(KEPT.read_text(encoding="utf-8").splitlines(), now)), text
    KEPT.write_text("\n".join(now) + "\n", encoding="utf-8")
