"""Tells the service manager how the daemon is: the datagram protocol of sd_notify(3), nothing else of systemd."""

import os
import socket
from contextlib import suppress

READY, STOPPING, ALIVE = "READY=1", "STOPPING=1", "WATCHDOG=1"


def tell(*texts: str) -> bool:
    """Send variables such as `READY=1`; False where nobody asked for them. Never raises: a deaf manager stops no site."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # the abstract name space of Linux
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
        out.setblocking(False)
        out.sendto("\n".join(texts).encode(), address)
        return True
    return False
