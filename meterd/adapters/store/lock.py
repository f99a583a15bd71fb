"""The lock beside a store: one process writes."""

import fcntl
import os
from pathlib import Path

from meterd.core.errors import StoreError, StoreInUse

OPEN = b"open\n"  # in the lock while a store is open: whoever finds it later knows that it was not closed


def lock_of(path: Path) -> Path:
    """The file that is locked."""
    return path.with_name(path.name + ".lock")


def is_ours(path: Path, handle: int) -> bool:
    """Whether the lock that we hold is still the file beside the store: whoever deletes it lets a second one in."""
    try:
        return os.path.samestat(os.stat(lock_of(path)), os.fstat(handle))
    except OSError:
        return False


def is_held(path: Path) -> bool:
    """Whether a process has the store at this moment. Not to be asked often: who opens it just then is refused."""
    try:
        handle = os.open(lock_of(path), os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False


def take_lock(path: Path) -> int:
    """Lock beside the store, held as long as the process runs; StoreError names the process that has it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(lock_of(path), os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as exc:
        raise StoreError(
            f"cannot create the store {path}: {exc.strerror}; choose a folder that can be written"
        ) from exc
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        holder = os.read(handle, 32).decode(errors="replace").partition("\n")[0]
        os.close(handle)
        raise StoreInUse(
            f"the store {path} is in use by another daemon (process {holder or 'unknown'}); one process writes,"
            " stop that one first or give this one its own store"
        ) from exc
    os.truncate(handle, 0)
    os.write(handle, f"{os.getpid()}\n".encode())
    return handle
