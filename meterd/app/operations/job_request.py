"""What the daemon hands to a job in a process of its own."""

from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.planfile.loader import Plan


@dataclass(frozen=True, slots=True)
class JobRequest:
    """One run of a job: the plan, its store, the slot, and the moment for what is dated."""

    job: str
    plan: Plan
    path: Path
    slot: str
    now_ms: int
