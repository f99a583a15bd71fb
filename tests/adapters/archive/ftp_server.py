"""A real FTP server on this machine, obedient or not."""

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

with warnings.catch_warnings():  # of its asyncore, until Python 3.12
    warnings.simplefilter("ignore", DeprecationWarning)
    from pyftpdlib.authorizers import DummyAuthorizer
    from pyftpdlib.filesystems import AbstractedFS
    from pyftpdlib.handlers import FTPHandler
    from pyftpdlib.ioloop import IOLoop
    from pyftpdlib.servers import FTPServer

USER, PASSWORD = "mill", "crumb-4711"


@dataclass(slots=True)
class Behaviour:
    """What goes wrong: room in bytes, or how many files it takes before it goes away."""

    room: int | None = None
    stores: int | None = None
    taken: list[str] = field(default_factory=list)


@contextmanager
def ftp_server(folder: Path, behaviour: Behaviour | None = None) -> Iterator[str]:
    """Serves a folder; yields the address, without user and password."""
    rules = behaviour or Behaviour()
    loop = IOLoop()

    class Full:
        """A file on a disk that fills up."""

        def __init__(self, file: Any) -> None:
            self._file = file

        def write(self, data: bytes) -> int:
            assert rules.room is not None
            rules.room -= len(data)
            if rules.room < 0:
                raise OSError(28, "No space left on device")
            return int(self._file.write(data))

        def __getattr__(self, name: str) -> Any:
            return getattr(self._file, name)

    class Disk(AbstractedFS):  # type: ignore[misc]
        def open(self, filename: str, mode: str) -> Any:
            file = super().open(filename, mode)
            return Full(file) if rules.room is not None and mode != "rb" else file

    class Handler(FTPHandler):  # type: ignore[misc]
        abstracted_fs = Disk

        def ftp_STOR(self, file: str, mode: str = "w") -> Any:
            rules.taken.append(file)
            if rules.stores is not None and len(rules.taken) > rules.stores:
                self.close()
                return None
            return super().ftp_STOR(file, mode)

    authorizer = DummyAuthorizer()
    authorizer.add_user(USER, PASSWORD, str(folder), perm="elradfmwMT")
    Handler.authorizer = authorizer
    server = FTPServer(("127.0.0.1", 0), Handler, ioloop=loop)
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            server.serve_forever(timeout=0.1, blocking=False)

    thread = threading.Thread(target=serve, name="ftp")
    thread.start()
    try:
        yield f"ftp://127.0.0.1:{server.address[1]}/archive"
    finally:
        stop.set()
        thread.join(10)
        server.close_all()
