"""Orders of a person carried out: by this process if it may write the store, else by the daemon that does."""

from pathlib import Path

from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_write
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.app.operations.orders import Order, ask
from meterd.core.errors import ConfigError, StoreInUse
from meterd.core.model.plan import Site


def carry_out(order: Order, path: Path, site: Site) -> tuple[bool, str]:
    """Write the store if nobody else does, else ask the daemon that does. Returns whether it was done, and the words."""
    try:
        with open_to_write(path) as store:
            return True, FindingKeeper(store, site).carry_out(order, WallClock().now_ms())
    except StoreInUse:
        return ask(order, path)
    except ConfigError as exc:
        return False, str(exc)
