"""How the last run of a store ended, as a fact in it: the reason of a restart."""

import logging
from pathlib import Path

from meterd.adapters.runtime.logging import about
from meterd.app.daemon.supervisor import read_mark
from meterd.core.errors import StoreError
from meterd.core.model.facts import FactStore

log = logging.getLogger("meterd")

FIRST = "first start"
SIGNAL = "stopped by signal"
KILLED = "ended without farewell (killed or power lost)"
UNKNOWN = "unknown: an older version ran here"
WATCHDOG = "watchdog"
RELOADED = "reloaded"

_FACT, _RUNS = "life", "runs"
_RAN_BEFORE = "epoch"  # every daemon that has published left this one


def begin_run(store: FactStore, mark: Path) -> str:
    """Why this run begins: how the last one ended. From now on the store says that a daemon runs."""
    hung, last = read_mark(mark), store.fact(_FACT)
    if last is None:
        reason = UNKNOWN if store.fact(_RAN_BEFORE) is not None else FIRST
    elif last != _RUNS:
        reason = last
    else:
        reason = f"{WATCHDOG}: {hung}, then it was ended" if hung else KILLED
    _keep(store, _RUNS)
    return reason


def end_run(store: FactStore, exc: BaseException | None) -> None:
    """A farewell: what ended this run."""
    _keep(store, SIGNAL if exc is None else f"failed: {exc}")


def _keep(store: FactStore, text: str) -> None:
    try:
        with store.transaction():
            store.set_fact(_FACT, text)
    except StoreError as exc:  # a full disk refuses no start; the loop tells it
        log.error("the reason of the next restart is not stored: %s", exc, extra=about("store-refuses"))
