"""Packs a store in a process of its own, to be killed: `python -m tests.adapters.store.packer_process STORE`."""

import sys
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from tests.adapters.store.packing import EVER


def main(path: Path) -> None:
    """Piece by piece of a few readings; between two pieces it says that it goes on."""
    store = SqliteStore.writer(path)
    print("packing", flush=True)
    while store.pack_step(EVER, 30):
        print("piece", flush=True)
    store.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
