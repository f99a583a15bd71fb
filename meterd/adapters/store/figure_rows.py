"""Rows of figures, balances and PV figures as values: what is asked for, and the values made of it."""

import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from meterd.adapters.store.reconciled_flows import flows_of_texts
from meterd.core.energy.rollup import Columns, runs_read
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, PvRow
from meterd.core.registers.register_line import Ints

BALANCE = "end_ms, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of, reconciled"
PV = "end_ms, production, grid_import, grid_export, self_use, consumption, estimated"
# Texts of numbers instead of a row of Python objects for each figure: 0.4 s of a core for a million figures, not 1.0.
# They follow one order, whichever it is.
_FIGURE = (
    "{}SELECT group_concat(start_ms), group_concat(energy), group_concat(flags){} FROM {}"
    " WHERE channel IN ({}) AND period = ? AND energy IS NOT NULL AND start_ms {}"
)
TOGETHER = 20_000  # figures of several registers in one question: a page asks for some periods of a hundred of them


def columns_of(connection: sqlite3.Connection, numbers: Sequence[int], period: Period, starts: Ints) -> Columns:
    """Newest figures in mWh of T periods by n registers, -1 for one that the store has not; missing where there is none."""
    energy = np.zeros((len(starts), len(numbers)), dtype=np.int64)
    present = np.zeros_like(energy, dtype=np.bool_)
    flags = np.zeros_like(energy, dtype=np.uint8)
    columns = Columns(energy, present, flags)
    if not len(starts):
        return columns
    spans: list[tuple[int, ...]] = [*runs_read(period, starts)]
    first, table, when, bounds = "", "figure", "BETWEEN ? AND ?", spans[0]
    if len(spans) == len(starts) > 1:  # one question for scattered moments; the numbers are ours
        when, bounds = f"IN ({', '.join(map(str, starts.tolist()))})", ()
    elif len(spans) > 1:  # and one for scattered spans: the nights of a year are 365
        first = f"WITH span(low, high) AS (VALUES {', '.join(map(str, spans))}) "
        table, when, bounds = "span CROSS JOIN figure", "BETWEEN low AND high", ()
    known = [number for number in numbers if number >= 0]
    together = len(set(known)) == len(known) > 1 and energy.size <= TOGETHER
    for some in [known] if together else [[number] for number in known]:
        which, more = ", ".join(map(str, some)), ", group_concat(channel)" if together else ""
        texts = connection.execute(_FIGURE.format(first, more, table, which, when), (period, *bounds)).fetchone()
        if texts[0] is not None:
            _fill(columns, numbers, some[0], starts, [np.fromstring(text, np.int64, sep=",") for text in texts])
    return columns


def _fill(columns: Columns, numbers: Sequence[int], number: int, starts: Ints, results: Sequence[Ints]) -> None:
    """Put what was found into its places: starts, energies, flags and, of several registers, their numbers."""
    at, values, marks, *registers = results
    row = np.minimum(np.searchsorted(starts, at), len(starts) - 1)
    hit = starts[row] == at
    if registers:
        order = np.argsort(numbers)
        column = order[np.searchsorted(numbers, registers[0], sorter=order)][hit]
        places = [(row[hit], column)]
    else:
        places = [(row[hit], np.int64(j)) for j, own in enumerate(numbers) if own == number]
    for place in places:
        columns.energy[place], columns.present[place], columns.flags[place] = values[hit], True, marks[hit]


def balances_of(
    board: str,
    period: Period,
    rows: Iterable[Sequence[Any]],
    unpack: Callable[[Sequence[Any]], list[tuple[tuple[str, int], ...]]] = flows_of_texts,
) -> list[BalanceRow]:
    """Balances of one board, each from its start and the columns of `BALANCE`; `unpack` reads the flows."""
    given = list(rows)
    return [
        BalanceRow(
            board, period, start, end_ms=end, feed=feed, outgoing=outgoing, residual=residual, band=band,
            verdict=verdict, estimated=bool(estimated), missing=tuple(json.loads(missing)),
            uncovered=tuple(json.loads(uncovered)), covered=covered, of=of, reconciled=flows,
        )
        for (start, end, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of, _), flows
        in zip(given, unpack([row[-1] for row in given]), strict=True)
    ]  # fmt: skip


def pv_of(period: Period, rows: Iterable[Sequence[Any]]) -> list[PvRow]:
    """PV figures, each from its start and the columns of `PV`."""
    return [
        PvRow(
            period, start, end, production=production, grid_import=grid_import, grid_export=grid_export,
            self_use=self_use, consumption=consumption, estimated=bool(estimated),
        )
        for start, end, production, grid_import, grid_export, self_use, consumption, estimated in rows
    ]  # fmt: skip
