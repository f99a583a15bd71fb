"""A folder of history files as a live source: new files and grown CSV files are delivered as they come.

Positions are kept in memory only: after a restart the files are read again, and the journal knows each reading already.
"""

import io
import queue
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from meterd.adapters.runtime.worker import Worker
from meterd.adapters.sources import CLOCK_SET_MS, Delivery, RefusalLog, Refused, inputs_of, wall_ms
from meterd.adapters.sources.files.columns import Part, Spreader
from meterd.adapters.sources.files.history import History, columns_of, open_history
from meterd.adapters.sources.files.settings import FileSettings, settings_for, time_rule
from meterd.adapters.sources.files.tables import PARQUET, Chunk, Table, chunks, csv_chunks, header, open_table
from meterd.adapters.sources.mqtt import HELD_S
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Reading, Refusal

__all__ = ["FileSettings", "FileSource", "History", "open_history"]

READ_BYTES = 8 * 1024 * 1024  # of one grown file per look, so that one large file does not starve the others
BATCH = 5000  # readings per delivery
SUFFIXES = (".csv", ".gz", *PARQUET)


@dataclass(slots=True)
class WatchedFile:
    """One file: how far it is read, its size at the last look, and what is remembered of its order."""

    size: int = -1
    read: int = 0
    spreader: Spreader | None = None


class FileSource:
    """Looks at a folder every few seconds. Texts grow by whole lines; Parquet and gzip are read once they stand still."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.name = row.name
        self.settings = settings_for(row)
        self._folder = Path(self.settings.path)
        if not self.settings.path:
            raise ConfigError(f'source {row.name}: option path is missing; add path = "folder"')
        self._site = site
        self._rule = time_rule(self.settings)
        self._columns = columns_of(site, row.name, None)
        self._future_ms = site.limits.future_s * 1000
        self._clock = clock
        self._files: dict[Path, WatchedFile] = {}
        self._log = RefusalLog()
        self._stopping = threading.Event()
        self._worker: Worker | None = None
        self._counts = {
            "readings": 0,
            "files": 0,
            "odd_rows": 0,
            "strangers": 0,
            "future": 0,
            "unreadable": 0,
            "held": 0,
        }
        self.errors: dict[str, str] = {}

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Begin to look, on an own thread."""
        self._worker = Worker(f"source-{self.name}", partial(self._work, deliver), self._stopping)
        self._worker.start()

    def revive(self) -> bool:
        """Start the worker again if it has died; it goes on where it was."""
        return self._worker is not None and self._worker.revive()

    def state(self) -> None:
        """Files have no connection."""
        return

    def stop(self, limit_s: float) -> None:
        """End after the delivery at hand."""
        self._stopping.set()
        if self._worker is not None:
            self._worker.join(limit_s)

    def alive(self) -> bool:
        """Whether the worker runs."""
        return self._worker is not None and self._worker.alive

    def ack(self, token: object) -> None:
        """Nothing to confirm: files stay where they are."""

    def counters(self) -> Mapping[str, int]:
        """Whole numbers since the start."""
        return {**self._counts, "refused_values": self._log.total()}

    def refused(self) -> Mapping[tuple[str, str], Refused]:
        """What was refused, per (point, register)."""
        return self._log.snapshot()

    def _work(self, deliver: Callable[[Delivery], None]) -> None:
        while not self._stopping.is_set():
            if self._clock() >= CLOCK_SET_MS:
                self.poll(deliver)
            self._stopping.wait(self.settings.poll_s)

    def poll(self, deliver: Callable[[Delivery], None]) -> None:
        """One look at every file of the folder, in order of names."""
        paths = sorted(path for path in self._folder.glob("*") if path.suffix.lower() in SUFFIXES)
        for path in paths:
            if self._stopping.is_set():
                return
            watched = self._files.setdefault(path, WatchedFile())
            try:
                if self._poll_file(path, watched, deliver):
                    self.errors.pop(path.name, None)
            except (OSError, SourceError) as exc:
                if path.name not in self.errors:
                    self._counts["unreadable"] += 1
                self.errors[path.name] = str(exc)
        self._counts["files"] = len(paths)
        for gone in self._files.keys() - set(paths):
            del self._files[gone]

    def _poll_file(self, path: Path, watched: WatchedFile, deliver: Callable[[Delivery], None]) -> bool:
        """True if there was something new to read."""
        size = path.stat().st_size
        stands_still, watched.size = size == watched.size, size
        if size < watched.read:  # written anew
            watched.read, watched.spreader = 0, None
        if size == watched.read:
            return False
        if path.suffix.lower() == ".csv":
            self._grown(path, watched, deliver)
        elif stands_still:
            watched.read = size  # also when it turns out damaged: it is tried again when it changes
            spreader = self._spreader(open_table(path, self.settings.time_column, self.settings.delimiter))
            self._pass_on(spreader, lambda odd: chunks(spreader.table, spreader.wanted(), odd), deliver)
        else:
            return False
        return True

    def _spreader(self, table: Table) -> Spreader:
        return Spreader(self._site, inputs_of(self._site.inputs, self.name), self._columns, self._rule, table)

    def _grown(self, path: Path, watched: WatchedFile, deliver: Callable[[Delivery], None]) -> None:
        with path.open("rb") as file:
            file.seek(watched.read)
            text = file.read(READ_BYTES)
        whole = text[: text.rfind(b"\n") + 1]
        if not whole and len(text) < READ_BYTES:
            return
        if not whole:
            watched.read += len(text)  # or it would be looked at for ever, and what follows it never read
            raise SourceError(f"cannot read {path}: a line of more than {READ_BYTES:,} bytes is passed over")
        skip = 0
        if watched.spreader is None:
            line, skip = whole[: whole.index(b"\n")], 1
            names = tuple(header(line, self.settings.delimiter))
            if self.settings.time_column not in names:
                watched.read = watched.size
                raise SourceError(f"cannot read {path}: no column {self.settings.time_column!r} of times")
            table = Table(path, names, self.settings.time_column, self.settings.delimiter)
            watched.spreader = self._spreader(table)
        spreader = watched.spreader
        if whole.count(b"\n") > skip:
            # bytes outside UTF-8 spoil their own cells and not the whole block
            stream = io.BytesIO(whole if _is_utf8(whole) else whole.decode("utf-8", "replace").encode())
            wanted = spreader.wanted()
            try:
                self._pass_on(
                    spreader, lambda odd: csv_chunks(spreader.table, stream, wanted, odd, header_rows=skip), deliver
                )
            except SourceError:
                watched.read += len(whole)  # damaged: what follows it is still read
                raise
        watched.read += len(whole)

    def _pass_on(
        self,
        spreader: Spreader,
        read: Callable[[list[tuple[int, str]]], Iterable[Chunk]],
        deliver: Callable[[Delivery], None],
    ) -> None:
        odd: list[tuple[int, str]] = []
        for chunk in read(odd):
            readings = [reading for part in spreader.parts(chunk) for reading in self._readings(part)]
            for first in range(0, len(readings), BATCH):
                self._deliver(Delivery(tuple(readings[first : first + BATCH])), deliver)
        self._counts["odd_rows"] += len(odd)
        self._counts["strangers"] += sum(spreader.strangers.values())
        spreader.strangers.clear()
        self._log.add([refusal for refusals in spreader.refusals.values() for refusal in refusals.samples])
        spreader.refusals.clear()

    def _readings(self, part: Part) -> Iterable[Reading]:
        now_ms = self._clock()
        latest = now_ms + self._future_ms
        point, register = part.channel
        for at_ms, value in zip(part.at_ms.tolist(), part.values.tolist(), strict=True):
            if at_ms > latest:
                self._counts["future"] += 1
                self._log.add([Refusal(point, register, "time ahead of this machine's clock", str(at_ms))])
                continue
            yield Reading(point, register, at_ms, value, now_ms)

    def _deliver(self, delivery: Delivery, deliver: Callable[[Delivery], None]) -> None:
        while not self._stopping.is_set():
            try:
                deliver(delivery)
            except queue.Full:
                self._counts["held"] += 1
                self._stopping.wait(HELD_S)
            else:
                self._counts["readings"] += len(delivery.readings)
                return


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
