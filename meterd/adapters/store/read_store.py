"""A store as it is read: by page and commands, by jobs, by whoever recalculates figures; by any number at once."""

import sqlite3
from typing import Protocol

from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.corrections import Corrections
from meterd.adapters.store.drift_statistics import DriftDays
from meterd.adapters.store.findings import FindingTables
from meterd.adapters.store.forecasts import Forecasts
from meterd.adapters.store.issued_documents import IssuedTable
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.maintenance_log import Records
from meterd.core.energy.stored_figures import StoredFigures, StoredIntervals
from meterd.core.model.facts import Facts
from meterd.core.model.results import Channel
from meterd.core.registers.stored_readings import StoredReadings


class ReadStore(StoredFigures, StoredIntervals, StoredReadings, Facts, Protocol):
    """Figures, readings, facts, and a table for each thing with a life of its own. Who needs one of these takes that alone."""

    @property
    def finding_tables(self) -> FindingTables:
        """Findings, their changes, planned work, and what was sent of them."""

    @property
    def corrections(self) -> Corrections:
        """Dated corrections of factors and readings."""

    @property
    def records(self) -> Records:
        """Exchanges of instruments and new names."""

    @property
    def issued(self) -> IssuedTable:
        """Documents that were given to somebody, with their figures."""

    @property
    def forecasts(self) -> Forecasts:
        """Forecasts as they were given out."""

    @property
    def outbox(self) -> Outbox:
        """What a time-series database has got and refused."""

    drift_days: DriftDays  # statistics of each day of a monitored part
    readings: JoinedReadings  # rows and blocks, for the files of this package alone
    figures: JoinedFigures  # the same of figures

    @property
    def connection(self) -> sqlite3.Connection:
        """For the files of this package alone."""

    def channel_number(self, channel: Channel) -> int:
        """The number of a register in the tables, for the files of this package alone; -1 if it has none."""

    def close(self) -> None:
        """End; nothing accepted is lost."""
