"""Patterns that several plans share, from one folder: what a newer one would change for a plan, and taking it over.

Every plan keeps its own copy in `patterns/`, so a change of the shared one reaches no site before somebody takes it.
"""

import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.adapters.planfile.read import PATTERNS
from meterd.core.errors import ConfigError
from meterd.core.texts.plan_diff import change


@dataclass(frozen=True, slots=True)
class PatternChange:
    """What one shared pattern would change for one plan: nothing, what `words` say, or a plan with faults."""

    site: str
    pattern: str
    same: bool
    words: str
    faults: tuple[str, ...] = ()


def changes(plan: Path, shared: Path) -> list[PatternChange]:
    """Of each shared pattern that the plan has a copy of. ConfigError or PlanError for a plan that cannot be read as it is."""
    if not plan.is_dir():
        raise ConfigError(f"{plan} is no plan folder; a plan in one file has no patterns")
    site = load_plan(plan).site.name
    results = []
    for file in sorted(shared.glob("*.toml")):
        own = plan / PATTERNS / file.name
        if own.is_file():
            same = own.read_bytes() == file.read_bytes()
            text, faults = ("", ()) if same else _tried(plan, file)
            results.append(PatternChange(site, file.stem, same, text, faults))
    return results


def _tried(plan: Path, file: Path) -> tuple[str, tuple[str, ...]]:
    """The plan in a copy of its folder, before and with the shared pattern: what differs, or its faults."""
    with tempfile.TemporaryDirectory(prefix="meterd-patterns-") as made:
        copy = Path(made) / plan.resolve().name
        (copy / PATTERNS).mkdir(parents=True)
        for item in [*plan.glob("*.toml"), *plan.glob("*.csv"), *(plan / PATTERNS).glob("*.toml")]:
            shutil.copyfile(item, copy / item.relative_to(plan))
        before = load_plan(copy).site
        shutil.copyfile(file, copy / PATTERNS / file.name)
        try:
            return change(before, load_plan(copy).site) or "nothing that counts: only words or order", ()
        except PlanError as exc:
            return "", tuple(str(exc).splitlines())


def take(plan: Path, shared: Path, name: str) -> None:
    """Put the shared pattern in the place of the plan's copy, whole or not at all; a running daemon reads it by itself."""
    own, fresh = plan / PATTERNS / f"{name}.toml", plan / PATTERNS / f"{name}.toml.new"
    try:
        shutil.copyfile(shared / f"{name}.toml", fresh)
        os.replace(fresh, own)
    except OSError as exc:
        raise ConfigError(f"cannot write {own}: {exc.strerror or exc}") from exc
