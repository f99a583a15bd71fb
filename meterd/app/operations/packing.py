"""Which readings and figures go into blocks: of days that have been closed for a while, and of which nothing is to be made."""

from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import DAY_MS

CLOSED_DAYS = 2  # between the end of a day and its packing: late readings are mostly of the last hours
PIECE = 4_000  # readings of a piece beside the live work: some hundredths of a second


def pack_piece(store: WriteStore, ledger: Ledger) -> bool:
    """Pack one piece of what may be packed; whether there was anything. StoreError if it is not kept."""
    closed_to = ledger.state.closed_to
    if closed_to is None or ledger.late:
        return False
    return store.pack_step(closed_to - CLOSED_DAYS * DAY_MS, PIECE)
