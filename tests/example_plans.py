"""The plans of `config/` as values, each read once in a process: many files of tests look at them, and a `Site` is frozen."""

from functools import cache
from pathlib import Path

from meterd.adapters.planfile.loader import load_plan
from meterd.core.model.plan import Site

CONFIG = Path(__file__).parents[1] / "config"


@cache
def example(name: str) -> Site:
    """The site of `config/NAME`."""
    return load_plan(CONFIG / name).site
