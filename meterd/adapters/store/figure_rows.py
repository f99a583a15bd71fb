"""Rows of balances and PV figures as values: the columns that hold one, behind its start, and the value made of them."""

import json
from collections.abc import Iterable, Sequence
from typing import Any

from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, PvRow

BALANCE = "end_ms, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of, reconciled"
PV = "end_ms, production, grid_import, grid_export, self_use, consumption, estimated"


def balances_of(board: str, period: Period, rows: Iterable[Sequence[Any]]) -> list[BalanceRow]:
    """Balances of one board, each from its start and the columns of `BALANCE`."""
    return [
        BalanceRow(
            board, period, start, end_ms=end, feed=feed, outgoing=outgoing, residual=residual, band=band,
            verdict=verdict, estimated=bool(estimated), missing=tuple(json.loads(missing)),
            uncovered=tuple(json.loads(uncovered)), covered=covered, of=of,
            reconciled=tuple((name, mwh) for name, mwh in json.loads(reconciled)),
        )
        for start, end, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of, reconciled
        in rows
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
