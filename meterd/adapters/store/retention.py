"""Deletes old readings from a store: counted first, in steps, never the newest of a register."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterd.adapters.store.joined_readings import one_moment
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.write_store import WriteStore
from meterd.core.model.results import Channel

STEP = 50_000  # readings looked at in one transaction: a quarter of a second


@dataclass(frozen=True, slots=True)
class Prunable:
    """What may go of one register: readings before a moment that no other rule keeps."""

    before_ms: int
    first_ms: int
    rows: int  # that go
    held: int  # that are there before the moment


def prunable(store: ReadStore, cuts: Mapping[Channel, int]) -> dict[Channel, Prunable]:
    """What may go of each register that has something to go."""
    prunables = {}
    for channel, before in cuts.items():
        number = store.channel_number(channel)
        with one_moment(store.connection):
            ends, held = store.readings.ends(number), store.readings.count_before(number, before)
            rows = _going(store, number, before)
        if rows and ends is not None:
            prunables[channel] = Prunable(before, ends[0], rows, held)
    return prunables


def _going(store: ReadStore, number: int, before: int) -> int:
    """How many readings go. Two kinds stay that are old enough: those a database has not been seen to hold, and the newest."""
    last_seq = min(_given(store) - 1, _proven(store))
    stays = "SELECT COUNT(*) FROM reading WHERE seq = ? AND at_ms < ? AND seq <= ?"
    (staying,) = store.connection.execute(stays, (_newest(store, number), before, last_seq)).fetchone()
    return store.readings.count_before(number, before, last_seq) - int(staying)


def _newest(store: ReadStore, number: int) -> int:
    """The newest reading of a register, which is in no block."""
    row = store.connection.execute(
        "SELECT seq FROM reading WHERE channel = ? ORDER BY at_ms DESC, value DESC LIMIT 1", (number,)
    ).fetchone()
    return int(row[0]) if row else -1


def _given(store: ReadStore) -> int:
    """The last number given; its reading stays, since without it the next one would get a number that was used before."""
    return int(store.connection.execute("SELECT COALESCE(MAX(seq), 0) FROM reading").fetchone()[0])


def _proven(store: ReadStore) -> int:
    proven = store.outbox.proven()
    return 2**62 if proven is None else proven


@dataclass(slots=True)
class Pruning:
    """Deletes what may go in steps, in the order in which it came: so whole pages of the file become free, one after the other.

    Begun anew at any time, it goes on with what is still there.
    """

    store: WriteStore
    what: Mapping[Channel, Prunable]
    gone: int = 0
    _after: int = 0  # the number up to which the journal has been gone through
    _packed: bool = True  # whether blocks may have something to delete
    _before: dict[int, int] = field(init=False)
    _stay: set[int] = field(init=False)

    def __post_init__(self) -> None:
        number = self.store.channel_number
        self._before = {number(channel): item.before_ms for channel, item in self.what.items()}
        self._stay = {_newest(self.store, item) for item in self._before}

    def step(self, most: int) -> bool:
        """Go through `most` readings of the journal in one transaction; False when nothing is left to delete.

        Blocks go first, whole or without their first readings.
        """
        below = min(_given(self.store) - 1, _proven(self.store))
        if self._packed:
            with self.store.transaction():
                gone = self.store.packer.prune(self._before, below, most)
            self.gone += gone
            self._packed = gone > 0
            if self._packed:
                return self.gone < sum(item.rows for item in self.what.values())
        rows = self.store.connection.execute(
            "SELECT seq, channel, at_ms FROM reading WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
            (self._after, below, most),
        ).fetchall()
        if not rows:
            return False
        going = [
            (seq,)
            for seq, channel, at_ms in rows
            if at_ms < self._before.get(channel, -(2**62)) and seq not in self._stay
        ]
        if going:
            with self.store.transaction():
                self.store.connection.executemany("DELETE FROM reading WHERE seq = ?", going)
        self._after = int(rows[-1][0])
        self.gone += len(going)
        return self.gone < sum(item.rows for item in self.what.values())


def prune(store: WriteStore, what: Mapping[Channel, Prunable]) -> int:
    """Delete; returns how many readings went. Stopped in the middle, it goes on where it was when it is called again."""
    pruning = Pruning(store, what)
    while pruning.step(STEP):
        pass
    return pruning.gone


def bytes_inside(store: ReadStore) -> int:
    """Bytes that the file has free: what was deleted leaves them, since a database file does not shrink."""
    pages, size = (
        int(store.connection.execute(f"PRAGMA {what}").fetchone()[0]) for what in ("freelist_count", "page_size")
    )
    return pages * size
