"""What the C library keeps of memory that nobody uses any more. Nothing happens where it is not that of GNU.

Large arrays, tables and pages of the database are taken from it; small objects Python keeps itself.
"""

import ctypes
import sys

_ARENA_MAX = -8  # M_ARENA_MAX of malloc.h


def one_heap() -> None:
    """All threads share one heap; otherwise each of a dozen has its own, in which what the others need lies free.

    To be called before the first thread begins.
    """
    if (set_option := _function("mallopt")) is not None:
        set_option(_ARENA_MAX, 1)


def give_back() -> None:
    """Free pages inside the heap go back to the system. It takes about a millisecond, during which others wait for memory."""
    if (trim := _function("malloc_trim")) is not None:
        trim(0)


def _function(name: str) -> "ctypes._NamedFuncPointer | None":
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None
