"""History files as chunks of columns: CSV (also gzip) and Parquet, long or wide, in bounded memory.

Wide: one column of times and one per input, named by the input's `address`. Long: `time`, `point`, `register`, `value`
and, where wanted, `unit`, in any order. Which of the two it is shows in the header.
"""

import codecs
import gzip
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, TypeVar, cast

import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq

from meterd.core.errors import SourceError

LONG = ("point", "register", "value")
BLOCK_BYTES = 8 * 1024 * 1024  # of CSV text parsed at once: about 100 MB of memory at the widest
BATCH_ROWS = 131_072  # of Parquet read at once
COLUMN_ROWS = 1_048_576  # the same of a single column: two years of minutes in two pieces
MOST_OPEN = 16  # files that a thread keeps open: a system lets a program open about a thousand
HEADER_BYTES = 1024 * 1024
PARQUET = (".parquet", ".pq")
DAMAGED = "the Parquet file is damaged; copy or export it again"

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Table:
    """A file and what its header says. `delimiter` is for CSV."""

    path: Path
    columns: tuple[str, ...]
    time_column: str
    delimiter: str = ","

    @property
    def is_long(self) -> bool:
        """Whether each row names its point and register."""
        return all(name in self.columns for name in LONG)

    @property
    def is_parquet(self) -> bool:
        """Whether columns can be read one at a time."""
        return self.path.suffix.lower() in PARQUET


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of a file. `first_row` is the number of the first one, counted from 1 below the header."""

    data: Any
    first_row: int


def open_table(path: Path, time_column: str, delimiter: str = ",") -> Table:
    """Read the header; SourceError if the file cannot be read or has no column of times."""
    try:
        columns = _parquet_columns(path) if path.suffix.lower() in PARQUET else _csv_columns(path, delimiter)
    except (OSError, EOFError, UnicodeDecodeError, pa.ArrowException) as exc:
        raise SourceError(f"cannot read {path}: {exc}") from exc
    if time_column not in columns:
        seen = ", ".join(columns[:8]) or "nothing"
        raise SourceError(f"cannot read {path}: no column {time_column!r} of times; the header has {seen}")
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if twice:
        raise SourceError(f"cannot read {path}: column {twice[0]!r} occurs twice")
    return Table(path, tuple(columns), time_column, delimiter)


def _parquet_columns(path: Path) -> list[str]:
    return [str(name) for name in parquet_schema(path).names]


def parquet_schema(path: Path) -> pa.Schema:
    """Names and types of the columns of a Parquet file; SourceError if it is damaged, OSError if it cannot be opened."""
    return _from_parquet(path, lambda: pq.read_schema(path))


def _from_parquet(path: Path, read: Callable[[], T]) -> T:
    """What `read` gives; SourceError if the file is damaged.

    A damaged file shows as nearly any exception: a number that is none in its footer, a name that is not UTF-8, a page
    that cannot be unpacked, more memory than there is. Only what the operating system says about the file is left out.
    """
    try:
        return read()
    except (OSError, ValueError, KeyError, OverflowError, MemoryError, pa.ArrowException) as exc:
        if isinstance(exc, OSError) and exc.errno is not None:
            raise
        raise SourceError(f"cannot read {path}: {DAMAGED} ({exc})") from exc


def _csv_columns(path: Path, delimiter: str) -> list[str]:
    with _opened(path) as lines:
        first = lines.readline(HEADER_BYTES)
    return header(first, delimiter)


def _opened(path: Path) -> BinaryIO:
    return cast(BinaryIO, gzip.open(path, "rb")) if path.suffix.lower() == ".gz" else path.open("rb")


def header(line: bytes, delimiter: str) -> list[str]:
    """Column names of the first line; a byte order mark before it is dropped."""
    return [name.strip().strip('"') for name in line.decode("utf-8-sig").rstrip("\r\n").split(delimiter)]


class OpenFiles:
    """Parquet files that stay open while their columns are read one after the other, each thread its own.

    To read the footer again for each of 100 columns takes a tenth of the time that reading them takes.
    """

    def __init__(self) -> None:
        self._own = threading.local()
        self._all: list[pq.ParquetFile] = []

    def file(self, path: Path) -> pq.ParquetFile | None:
        """The file of this thread, opened when it is first asked for; None where it has others open enough."""
        files: dict[str, pq.ParquetFile] = self._own.__dict__
        name = str(path)
        if name not in files and len(files) < MOST_OPEN:
            files[name] = _opened_parquet(path)
            self._all.append(files[name])
        return files.get(name)

    def close(self) -> None:
        """Close the files of all threads; none of them may read any more."""
        for file in self._all:
            file.close()
        self._all.clear()
        self._own = threading.local()


def chunks(
    table: Table, columns: list[str], refused: "list[tuple[int, str]]", files: OpenFiles | None = None
) -> Iterator[Chunk]:
    """The wanted columns, some rows at a time; CSV cells come as text. Rows with a wrong number of cells go to `refused`.

    `files` keep a Parquet file open for the next columns. SourceError if the file turns out to be damaged.
    """
    try:
        open_file = files.file(table.path) if table.is_parquet and files is not None else None
        if open_file is not None:
            yield from _parquet_chunks(table.path, open_file, columns)
        elif table.is_parquet:
            with _opened_parquet(table.path) as file:
                yield from _parquet_chunks(table.path, file, columns)
        else:
            with pa.input_stream(str(table.path), compression="detect") as stream:
                yield from csv_chunks(table, stream, columns, refused)
    except (OSError, pa.ArrowException) as exc:
        raise SourceError(f"cannot read {table.path}: {exc}") from exc


def _opened_parquet(path: Path) -> pq.ParquetFile:
    # checksums are verified where the writer left some; without them a flipped bit of a page is another number
    return _from_parquet(path, lambda: pq.ParquetFile(path, page_checksum_verification=True))


def _parquet_chunks(path: Path, file: pq.ParquetFile, columns: list[str]) -> Iterator[Chunk]:
    row, single = 1, len(columns) == 1
    # threads would wait for each other at a single column
    batches = file.iter_batches(COLUMN_ROWS if single else BATCH_ROWS, columns=columns, use_threads=not single)
    while (batch := _from_parquet(path, lambda: _checked(next(batches, None)))) is not None:
        yield Chunk(batch, row)
        row += batch.num_rows


def _checked(batch: Any) -> Any:
    """A batch whose texts are UTF-8 and whose lengths agree, or None; ArrowInvalid for another one."""
    if batch is not None:
        batch.validate(full=True)
    return batch


def csv_chunks(
    table: Table, stream: Any, columns: list[str], refused: "list[tuple[int, str]]", *, header_rows: int = 1
) -> Iterator[Chunk]:
    """The same from an open stream of CSV text. SourceError for what is no CSV text in UTF-8."""
    try:
        yield from _csv_batches(table, stream, columns, refused=refused, header_rows=header_rows)
    except pa.ArrowInvalid as exc:
        raise SourceError(f"cannot read {table.path}{_not_utf8(table.path) or f': {exc}'}") from exc


def _not_utf8(path: Path) -> str:
    """The first row of a file that is not UTF-8, in words, with the remedy; empty if all of it is."""
    decoder, row = codecs.getincrementaldecoder("utf-8")(), 1
    with _opened(path) as lines:
        while part := lines.readline(HEADER_BYTES):
            try:
                decoder.decode(part)
            except UnicodeDecodeError as exc:
                shown = part[max(0, exc.start - 20) : exc.end].decode("latin-1").encode("unicode_escape").decode()
                remedy = "save the file as UTF-8, or replay it with --set encoding=windows-1252 (or iso-8859-1)"
                return f", row {row}: {shown!r} is not UTF-8; {remedy}"
            row += part.endswith(b"\n")
    return ""


def _csv_batches(
    table: Table, stream: Any, columns: list[str], *, refused: "list[tuple[int, str]]", header_rows: int
) -> Iterator[Chunk]:
    def odd(row: Any) -> str:
        refused.append((row.number or 0, f"{row.actual_columns} cells where the header has {row.expected_columns}"))
        return "skip"

    reader = arrow_csv.open_csv(
        stream,
        read_options=arrow_csv.ReadOptions(
            use_threads=False,  # the number of an odd row is only known then
            block_size=BLOCK_BYTES,
            column_names=list(table.columns),
            skip_rows=header_rows,
        ),
        parse_options=arrow_csv.ParseOptions(delimiter=table.delimiter, invalid_row_handler=odd),
        convert_options=arrow_csv.ConvertOptions(
            include_columns=columns,
            column_types={name: pa.string() for name in columns},
            strings_can_be_null=False,
            null_values=[],
        ),
    )
    row = 1
    before = len(refused)
    for batch in reader:
        yield Chunk(batch, row)
        row += batch.num_rows + len(refused) - before  # a row left out is a row of the file all the same
        before = len(refused)
