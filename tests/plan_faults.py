"""Faults of a plan: a case changes one file of a sound plan and says where the fault is and what would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Fault, PlanError, load_plan
from meterd.core.errors import ConfigError
from tests.plans import edited, write

# file, text, its replacement, place of the fault, part of what is wrong, part of the remedy
Case = tuple[str, str, str, str, str, str]


def label(case: Case) -> str:
    """The name of a case: its file and what was written there."""
    return f"{case[0]}:{case[2]}"


def faults_of(folder: Path) -> tuple[Fault, ...]:
    """The faults that a plan is refused with."""
    with pytest.raises(PlanError) as caught:
        load_plan(folder)
    assert isinstance(caught.value, ConfigError)
    return caught.value.faults


def refused(folder: Path, case: Case) -> None:
    """The plan is refused with the fault of the case, and with no other one in the tables."""
    name, old, new, place, what, right = case
    faults = faults_of(write(folder, edited(name, old, new)))
    lines = [str(fault) for fault in faults]
    assert any(line.startswith(place + ": ") and what in line for line in lines), lines
    fault = next(fault for fault in faults if what in fault.what)
    assert right in fault.right
    assert len(faults) == 1 or name in ("site.toml", "patterns/room.toml", "points.csv"), lines
