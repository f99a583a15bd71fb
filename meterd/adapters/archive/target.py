"""The place of an archive: a folder, or whatever an address of a file server names (FTP, SFTP, S3-like and others).

A file appears under its name when all of it is there and was read back: it is written beside it first.
"""

import errno
import hashlib
import io
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

from fsspec.core import url_to_fs
from fsspec.implementations.local import LocalFileSystem

from meterd.core.errors import ConfigError, MeterdError, StoreError, without

CHUNK, LARGE_BLOCK = 1_048_576, 16_777_216
TIMEOUT_S = 30
PARTIAL = ".partial"
S3 = ("s3", "s3a")
SFTP = ("sftp", "ssh")
_PACKAGES = {
    "s3": "install meterd[s3]",
    "s3a": "install meterd[s3]",
    "sftp": "install meterd[sftp]",
    "ssh": "install meterd[sftp]",
}


@dataclass(frozen=True, slots=True)
class Login:
    """Who writes, where the place asks for it."""

    username: str = ""
    password: str = ""


class _Sink(io.RawIOBase):
    """Takes a file in, passes it on, and keeps its digest only."""

    def __init__(self, out: IO[bytes] | None) -> None:
        self.digest, self._out = hashlib.sha256(), out

    def write(self, data: Any) -> int:
        """The next bytes."""
        self.digest.update(data)
        if self._out is not None:
            self._out.write(data)
        return len(data)


class ArchiveTarget:
    """Files below one address; every fault is a StoreError with the address, what failed and what to do."""

    def __init__(self, url: str, login: Login = Login()) -> None:
        if "@" in url.partition("://")[2].partition("/")[0]:  # not shown: a password may be in it
            right = "they go into archive_username and archive_password_file of the plan"
            raise ConfigError(
                f"the address of the archive has a user in it; write it without user and password, {right}"
            )
        self.url, self._login = url, login
        scheme = url.partition("://")[0] if "://" in url else "file"
        try:
            self._fs, self._root = url_to_fs(url, **_options(scheme, login))
            if scheme in SFTP:
                self._fs.ftp.get_channel().settimeout(TIMEOUT_S)  # a server that says nothing is not waited for
        except MeterdError:
            raise
        except ImportError as exc:
            remedy = f"; {_PACKAGES[scheme]}" if scheme in _PACKAGES else ""
            raise ConfigError(f"the archive {url} needs a Python package beside meterd: {exc}{remedy}") from exc
        except ValueError as exc:
            known = "write a folder, or ftp://, sftp://, s3:// and a host"
            raise ConfigError(f"the archive {url} cannot be used: {exc}; {known}") from exc
        except Exception as exc:  # an edge of the house style: each kind of server has errors of its own
            raise self._fault("cannot be reached", exc) from exc

    # -- reading -------------------------------------------------------------------------------------------------------

    def files(self, folder: str) -> list[str]:
        """Paths of all files below a folder, relative to the address, sorted; none where there is no such folder."""
        with self._explained("cannot be listed"):
            place = self._path(folder)
            if not self._fs.exists(place):
                return []
            below = len(self._path("").rstrip("/")) + 1
            return sorted(str(path)[below:] for path in self._fs.find(place))

    def folders(self) -> list[str]:
        """Names of the folders directly below the address, sorted."""
        with self._explained("cannot be listed"):
            if not self._fs.exists(self._path("")):
                return []
            entries = self._fs.ls(self._path(""), detail=True)
            return sorted(str(item["name"]).rpartition("/")[2] for item in entries if item["type"] == "directory")

    def read(self, path: str) -> bytes | None:
        """A small file whole; None if there is none."""
        with self._explained(f"{path} cannot be read"):
            try:
                return bytes(self._fs.cat_file(self._path(path)))
            except FileNotFoundError:
                return None

    def fetch(self, path: str, to: Path) -> str | None:
        """Copy a file to this machine; its SHA-256, or None if there is none."""
        with self._explained(f"{path} cannot be read"):
            if not self._fs.exists(self._path(path)):
                return None
            try:
                return self._received(self._path(path), to)
            except OSError as exc:
                if exc.errno != errno.ENOSPC:
                    raise
                right = "make room there, or name another folder in the environment variable TMPDIR"
                raise StoreError(f"there is no room for {path} of the archive in {to.parent}; {right}") from exc

    # -- writing -------------------------------------------------------------------------------------------------------

    def put(self, local: Path, path: str) -> str:
        """Bring a file there; its SHA-256, as it was read back. What was there under the name is replaced."""
        wanted = _sha256(local)
        with self._explained(f"{path} cannot be written", "see that it has room and may be written"):
            place, partial = self._path(path), self._path(path) + PARTIAL
            self._fs.makedirs(place.rpartition("/")[0], exist_ok=True)
            try:
                self._copy(local, partial)
                if self._received(partial) != wanted:
                    raise OSError("it was not read back as it was written")
                if self._fs.exists(place):
                    self._fs.rm_file(place)
                self._fs.mv(partial, place)
            except BaseException:
                with suppress(Exception):  # the first failure is the one to tell
                    self._fs.rm_file(partial)
                raise
        return wanted

    def write(self, path: str, data: bytes) -> None:
        """Write a small file whole."""
        with self._explained(f"{path} cannot be written", "see that it has room and may be written"):
            place = self._path(path)
            self._fs.makedirs(place.rpartition("/")[0], exist_ok=True)
            self._fs.pipe_file(place + PARTIAL, data)
            if self._fs.exists(place):
                self._fs.rm_file(place)
            self._fs.mv(place + PARTIAL, place)

    def remove(self, path: str) -> None:
        """Remove a file, if it is there."""
        with self._explained(f"{path} cannot be removed"):
            if self._fs.exists(self._path(path)):
                self._fs.rm_file(self._path(path))

    def _copy(self, local: Path, place: str) -> None:
        if isinstance(self._fs, LocalFileSystem):
            with local.open("rb") as source, open(place, "wb") as out:
                shutil.copyfileobj(source, out, CHUNK)
                out.flush()
                os.fsync(out.fileno())  # readings may be deleted because they are here
            return
        # by FTP each block is a transfer of its own
        options = {"block_size": LARGE_BLOCK} if "ftp" in self._fs.protocol else {}
        self._fs.put_file(str(local), place, **options)

    def _received(self, place: str, to: Path | None = None) -> str:
        """The SHA-256 of a file as it comes back in one go; it is kept at `to` where that is given."""
        if isinstance(self._fs, LocalFileSystem) or "ftp" in self._fs.protocol:
            with nullcontext() if to is None else to.open("wb") as out:
                sink = _Sink(out)
                self._fs.get_file(place, sink)
                return sink.digest.hexdigest()
        with TemporaryDirectory(prefix="meterd-") as work:  # others write files only
            path = to or Path(work) / "back"
            self._fs.get_file(place, str(path))
            return _sha256(path)

    def _path(self, path: str) -> str:
        return f"{self._root.rstrip('/')}/{path}" if path else self._root

    @contextmanager
    def _explained(self, what: str, remedy: str = "see that the server runs and can be reached") -> Iterator[None]:
        try:
            yield
        except MeterdError:
            raise
        except Exception as exc:  # an edge of the house style: each kind of server has errors of its own
            raise self._fault(what, exc, remedy) from exc

    def _fault(
        self, what: str, exc: Exception, remedy: str = "see that the server runs and can be reached"
    ) -> StoreError:
        text = without(" ".join(str(exc).split()) or "the connection has ended", self._login.password)
        return StoreError(f"the archive {self.url}: {what}: {text}; {remedy}")


def _options(scheme: str, login: Login) -> dict[str, Any]:
    """What the library for such an address is to be told."""
    if scheme == "file":
        return {}
    options: dict[str, Any] = {"skip_instance_cache": True}
    if scheme in S3:
        limits = {"connect_timeout": TIMEOUT_S, "read_timeout": TIMEOUT_S}
        given = {"key": login.username, "secret": login.password, "config_kwargs": limits}
    else:
        given = {"username": login.username, "password": login.password}
    if scheme in ("ftp", *SFTP):
        options["timeout"] = TIMEOUT_S
    if scheme in SFTP:
        from meterd.adapters.archive.known_hosts import KnownHosts

        options["host_key_policy"] = KnownHosts()
    else:
        options["use_listings_cache"] = False
    return {**options, **{key: value for key, value in given.items() if value}}


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
