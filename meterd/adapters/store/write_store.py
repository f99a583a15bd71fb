"""A store as the one process has it that writes it: all that can be read, and what can be written."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

from meterd.adapters.store.block_packing import BlockPacker
from meterd.adapters.store.figure_packing import FigurePacker
from meterd.adapters.store.read_store import ReadStore
from meterd.core.model.facts import FactStore
from meterd.core.model.reading import Reading
from meterd.core.model.results import BalanceRow, Channel, FigureRow, PvRow
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Ints


class WriteStore(ReadStore, FactStore, Protocol):
    """Every write belongs into a `transaction`, also those of the tables. StoreError where one is not stored."""

    def add_readings(self, readings: Sequence[Reading]) -> list[Reading]:
        """Keep readings; returns those that were new. Repeats (same point, register, time and value) change nothing."""

    def add_history(self, channel: Channel, times: Ints, values: Ints, received_ms: int) -> None:
        """Keep many readings of one cumulative register with their own times."""

    def write_figures(self, rows: Iterable[FigureRow], *, now_ms: int, reason: str) -> list[FigureRow]:
        """Keep figures; returns those that are new or differ from the newest version."""

    def write_columns(self, figures: FigureColumns, *, now_ms: int, reason: str) -> int:
        """Keep figures of one register as `write_figures` does; how many are new or differ."""

    def write_balances(self, rows: Iterable[BalanceRow], *, now_ms: int, reason: str) -> None:
        """Keep balances, versioned like figures."""

    def write_pv(self, rows: Iterable[PvRow], *, now_ms: int, reason: str) -> None:
        """Keep PV figures, versioned like figures."""

    def forget_channels(self) -> None:
        """Read the numbers of the registers again, after names have changed."""

    def digest_step(self) -> bool:
        """One piece of what waits for its digests, in a transaction of its own; whether there was anything."""

    def pack_step(self, before_ms: int, most: int) -> bool:
        """Pack about so many readings, or half as many figures, of days before a moment; whether there were any."""

    @property
    def packer(self) -> BlockPacker:
        """Blocks of readings, for the files of this package alone."""

    @property
    def figure_packer(self) -> FigurePacker:
        """Blocks of figures, for the files of this package alone."""

    def open_anew(self, path: Path) -> None:
        """Go on in the file that is at the place of the store now; tables taken before are closed."""
