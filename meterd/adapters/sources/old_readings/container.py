"""Files as they arrive: plain, packed with gzip, or several in a zip archive; which kind of table each one holds."""

import gzip
import io
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from meterd.core.errors import SourceError

LARGEST_BYTES = 2_000_000_000  # of one file, unpacked: ten years of minutes of ten registers; a packed bomb is larger
WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
PARQUET = (".parquet", ".pq")


@dataclass(frozen=True, slots=True)
class Content:
    """One table file, unpacked. `name` is its path for messages: `archive.zip/readings.csv` for a file of an archive."""

    name: str
    suffix: str
    data: bytes

    @property
    def is_workbook(self) -> bool:
        """Whether it has sheets."""
        return self.suffix in WORKBOOKS

    @property
    def is_parquet(self) -> bool:
        """Whether its columns have types of their own."""
        return self.suffix in PARQUET


def contents(path: Path) -> list[Content]:
    """The table files that a file holds. SourceError if it cannot be read or unpacked, or holds none."""
    try:
        data = path.read_bytes()
        if data[:2] == b"\x1f\x8b":
            name = str(path).removesuffix(".gz")
            return [Content(name, Path(name).suffix.lower(), _gunzip(path, data))]
        if data[:4] == b"PK\x03\x04" and path.suffix.lower() not in WORKBOOKS:
            return _members(path, data)
    except (OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError) as exc:
        raise SourceError(f"cannot read {path}: {_why(exc)}; copy or export it again") from exc
    if not data:
        raise SourceError(f"cannot read {path}: the file is empty")
    return [Content(str(path), path.suffix.lower(), data)]


def _gunzip(path: Path, data: bytes) -> bytes:
    with gzip.open(io.BytesIO(data)) as stream:
        return _limited(path, stream.read(LARGEST_BYTES + 1))


def _members(path: Path, data: bytes) -> list[Content]:
    results = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for item in archive.infolist():
            if item.is_dir() or item.filename.startswith(("__MACOSX/", ".")):
                continue
            with archive.open(item) as stream:
                unpacked = _limited(path, stream.read(LARGEST_BYTES + 1))
            results.append(Content(f"{path}/{item.filename}", Path(item.filename).suffix.lower(), unpacked))
    if not results:
        raise SourceError(f"cannot read {path}: the archive holds no file")
    return results


def _limited(path: Path, data: bytes) -> bytes:
    if len(data) > LARGEST_BYTES:
        raise SourceError(f"cannot read {path}: unpacked it is larger than {LARGEST_BYTES:,} bytes; split it by years")
    return data


def _why(exc: Exception) -> str:
    if isinstance(exc, OSError) and exc.strerror:
        return exc.strerror.lower()
    if isinstance(exc, RuntimeError) and "password" in str(exc):
        return "the archive has a password"
    return "the file is damaged or not completely copied"
