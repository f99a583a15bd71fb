"""Figures of many registers read at once: whoever asks for one of them gets its column."""

from collections.abc import Iterable, Sequence

from meterd.core.energy.other_columns import OtherColumns
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Ints


class ReadTogether(OtherColumns):
    """Stored figures for an answer that asks for the same periods of many registers, one after the other."""

    def __init__(self, stored: StoredFigures, channels: Iterable[Channel]) -> None:
        super().__init__(stored)
        self._places = {channel: j for j, channel in enumerate(dict.fromkeys(channels))}
        self._tables: dict[tuple[Period, bytes], Columns] = {}

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels; the first question for these periods reads them of all registers."""
        if not all(channel in self._places for channel in channels):
            return self._stored.columns(channels, period, starts)
        key = (period, starts.tobytes())
        table = self._tables.get(key)
        if table is None:
            table = self._tables[key] = self._stored.columns(list(self._places), period, starts)
        if len(channels) == 1:
            only = slice(place := self._places[channels[0]], place + 1)
            return Columns(table.energy[:, only], table.present[:, only], table.flags[:, only])
        places = [self._places[channel] for channel in channels]
        return Columns(table.energy[:, places], table.present[:, places], table.flags[:, places])
