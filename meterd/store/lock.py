"""The lock beside a store: one process writes."""

import fcntl
import os
from pathlib import Path

from meterd.errors import StoreError, StoreInUse


def take_lock(path: Path) -> int:
    """Lock beside the store, held as long as the process lives; StoreError names the process that has it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as exc:
        raise StoreError(
            f"cannot create the store {path}: {exc.strerror}; choose a folder that can be written"
        ) from exc
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        holder = os.read(handle, 32).decode(errors="replace").strip()
        os.close(handle)
        raise StoreInUse(
            f"the store {path} is in use by another daemon (process {holder or 'unknown'}); one process writes,"
            " stop that one first or give this one its own store"
        ) from exc
    os.truncate(handle, 0)
    os.write(handle, f"{os.getpid()}\n".encode())
    return handle
