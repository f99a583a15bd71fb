"""`meterd upgrade PLAN --dry-run`: what this version would change for a plan and its store."""

import argparse
import json
import sys
import tempfile
from pathlib import Path

from meterd import __version__
from meterd.adapters.planfile import schema
from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.upgrade import Upgrade, examine
from meterd.core.errors import ConfigError
from meterd.core.model.releases import Release

DONE, FAILED = 0, 1
NAMED = 10  # differences that are listed
MB = 1_000_000


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "upgrade", _upgrade, store=True, formats=("lines", "json"))
    parser.add_argument("--dry-run", action="store_true", help="only say it; the daemon converts at its first start")
    parser.add_argument(
        "--trial", type=Path, metavar="FOLDER", help="where a copy of the store is tried; default: temporary files"
    )


def _upgrade(arguments: argparse.Namespace) -> int:
    """Exit code 1 if the store cannot be opened, figures would differ, or there is too little room."""
    if not arguments.dry_run:
        raise ConfigError(
            "write --dry-run: nothing needs to be converted by hand, the first start of the daemon does it"
        )
    plan = load_plan(arguments.plan)
    trial = arguments.trial or Path(tempfile.gettempdir())
    if not trial.is_dir():
        raise ConfigError(f"--trial {trial} is no folder")
    result = examine(plan, arguments.store or store_path(arguments.plan, plan.site), trial)
    keys = [key for release in result.releases for key in _new_keys(release)]
    if arguments.format == "json":
        sys.stdout.write(json.dumps(_fields(result, keys), indent=1) + "\n")
    else:
        print("\n".join(_lines(result, keys)))
    return FAILED if result.differing or result.free < result.needed else DONE


def _new_keys(release: Release) -> list[tuple[str, object]]:
    """Keys that a version brought, each with its default; of a table by rows, or that needs some keys, only its name."""
    results: list[tuple[str, object]] = []
    for key in release.keys:
        table, _, name = key.partition(".")
        model = _table(table)
        names = schema.columns(model) if name == "*" else (name,)
        if table in ("tariff", "consumer", "baseline", "point"):
            results.append((f"[[{table}]]" if name == "*" else key, None))
            continue
        if any(model.model_fields[own].is_required() for own in names):
            results.append((f"[{table}]", None))
            continue
        defaults = {own: model.model_fields[own].default for own in names}
        results += [(f"{table}.{own}", list(d) if isinstance(d, frozenset) else d) for own, d in defaults.items()]
    return results


def _table(name: str) -> type[schema.Table]:
    text = "".join(part.capitalize() for part in name.split("_"))
    result: type[schema.Table] = getattr(schema, f"{text}Table", None) or getattr(schema, f"{text}Row")
    return result


def _lines(result: Upgrade, keys: list[tuple[str, object]]) -> list[str]:
    how = "measured on a copy" if result.measured else "estimated: there is no room for a copy, see --trial"
    readings = result.rows.get("reading", 0)
    lines = [
        f"meterd {__version__}; {result.store} has schema {result.schema} (of {result.written_by}), {_mb(result.size)},"
        f" {readings} readings. Nothing was changed."
    ]
    if not result.steps:
        lines.append("schema   nothing is due")
    else:
        total = sum(result.rows.values())
        lines += [f"schema   {text}" for text in result.steps]
        lines.append(
            f"rows     none of {total} rows is rewritten; those without a digest get one while the daemon runs"
        )
        lines.append(f"time     {result.schema_s:.1f} s for the schema, {result.digest_s:.1f} s for digests ({how})")
        lines.append(f"back     {result.written_by} cannot open it afterwards: meterd backup PLAN FILE first")
    enough = "enough" if result.free >= result.needed else "NOT enough"
    lines.append(
        f"room     the store grows by {_mb(result.grows)}, with a backup {_mb(result.needed)} are needed;"
        f" {_mb(result.free)} are free: {enough}"
    )
    lines += _plan_lines(result, keys)
    return lines + _figure_lines(result)


def _plan_lines(result: Upgrade, keys: list[tuple[str, object]]) -> list[str]:
    lines = ["plan     no fault"]
    groups = (
        ("new, with its default", [f"{key} = {json.dumps(value)}" for key, value in keys if value]),
        ("new, off unless it is written", [key for key, value in keys if not value]),
    )
    lines += [f"plan     {what}: {', '.join(named)}" for what, named in groups if named]
    old = [text for release in result.releases for text in release.deprecated]
    return lines + [f"plan     {key} still works; write {other} instead" for key, other in old]


def _figure_lines(result: Upgrade) -> list[str]:
    lines = []
    if result.measured:
        wrong = len(result.differing)
        text = f"{wrong} would be others" if wrong else "all are as stored"
        lines.append(f"figures  {result.compared} intervals made again from their readings: {text}")
        lines += [f"figures  {text}" for text in result.differing[:NAMED]]
    else:
        lines.append("figures  not compared: that needs a copy")
    lines += [f"figures  {text}" for text in result.follow]
    new = [text for release in result.releases for text in release.figures]
    return lines + [f"figures  of new or recalculated periods: {text}" for text in new]


def _mb(size: int) -> str:
    return f"{size / MB:.1f} MB"


def _fields(result: Upgrade, keys: list[tuple[str, object]]) -> dict[str, object]:
    return {
        "program": __version__,
        "store": str(result.store),
        "schema": result.schema,
        "written_by": result.written_by,
        "steps": result.steps,
        "rows": result.rows,
        "measured": result.measured,
        "schema_s": round(result.schema_s, 3),
        "digest_s": round(result.digest_s, 3),
        "bytes": result.size,
        "grows_bytes": result.grows,
        "needed_bytes": result.needed,
        "free_bytes": result.free,
        "new_keys": dict(keys),
        "deprecated": [list(text) for release in result.releases for text in release.deprecated],
        "compared": result.compared,
        "differing": result.differing,
        "recalculated": result.follow,
        "figures": [text for release in result.releases for text in release.figures],
    }
