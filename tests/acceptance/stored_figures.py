"""What a replay wrote into a folder and what a store holds, as the same tables, so that they can be compared bit by bit."""

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period, bounds, starts
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import BalanceRow, Channel
from meterd.core.registers.register_line import Flag

Tables = dict[str, pd.DataFrame]
PV = ("production", "grid_import", "grid_export", "self_use", "consumption")
WORDS = np.array(["bound" if f == Flag.BOUND else "estimated" if f else "good" for f in range(8)], dtype=object)


def column(channel: Channel) -> str:
    """Name of a register in a table of a replay."""
    return f"{channel[0]}.{REGISTERS[channel[1]].name}"


def whole(values: Any, present: Any) -> pd.Series:
    """Whole mWh, <NA> where missing."""
    return pd.Series(pd.array(values, dtype="Int64")).mask(~pd.Series(present, dtype=bool))


def from_store(path: Path, zone: ZoneInfo, channels: list[Channel], board: str, span: tuple[int, int]) -> Tables:
    """Tables of all periods that begin and end inside a span, from a store. A row that was never written is left out."""
    store, frames = SqliteStore.reader(path), {}
    for period in Period:
        grid = np.array([s for s in starts(period, *span, zone, 900_000)
                         if bounds(period, s, zone, 900_000)[1] <= span[1]], dtype=np.int64)  # fmt: skip
        columns = store.columns(channels, period, grid)
        energy, quality = pd.DataFrame({"start": grid}), pd.DataFrame({"start": grid})
        for j, channel in enumerate(channels):
            present = columns.present[:, j]
            energy[column(channel)] = whole(columns.energy[:, j], present)
            quality[column(channel)] = pd.Series(np.where(present, WORDS[columns.flags[:, j]], "missing"), dtype=object)
        frames[f"energy {period}"], frames[f"quality {period}"] = energy, quality
        until = int(grid[-1]) + 1 if len(grid) else span[0]
        frames[f"balance {period}"] = balances(store.balances(board, period, span[0], until))
        rows = store.pv(period, span[0], until)
        pv = pd.DataFrame({"start": pd.Series([r.start_ms for r in rows], dtype="int64")})
        for name in PV:
            pv[name] = pd.array([getattr(r, name) for r in rows], dtype="Int64")
        frames[f"pv {period}"] = pv
    store.close()
    return frames


def balances(rows: list[BalanceRow]) -> pd.DataFrame:
    """Balances of a store, a row each."""
    table = pd.DataFrame({"start": pd.Series([r.start_ms for r in rows], dtype="int64")})
    for name in ("feed", "outgoing", "residual", "band"):
        table[name] = pd.array([getattr(r, name) for r in rows], dtype="Int64")
    table["verdict"] = pd.Series([r.verdict for r in rows], dtype=object)
    table["estimated"] = pd.Series([r.estimated for r in rows], dtype=bool)
    table["missing"] = pd.Series([", ".join(r.missing) for r in rows], dtype=object)
    for k, name in enumerate([name for name, _ in rows[0].reconciled] if rows else []):
        table[f"reconciled.{name}"] = pd.array([r.reconciled[k][1] if r.reconciled else None for r in rows], "Int64")
    return table


def from_folder(folder: Path, board: str, span: tuple[int, int]) -> Tables:
    """The same tables from the Parquet files of a replay."""
    frames = {}
    for period in Period:
        for kind, name in (("energy", "energy"), ("quality", "quality"), ("balance", f"balance_{board}"), ("pv", "pv")):
            table = pd.read_parquet(folder / f"{name}_{period}.parquet", dtype_backend="numpy_nullable")
            start, end = (table[c].astype("datetime64[ms, UTC]").astype("int64") for c in ("start", "end"))
            inside = ((start >= span[0]) & (end <= span[1])).to_numpy(dtype=bool)
            rest = table.drop(columns=["start", "end", "self_consumption", "self_sufficiency"], errors="ignore")
            for c in rest:
                stored = "Int64" if str(c).endswith("_mwh") else bool if c == "estimated" else object
                rest[c] = rest[c].astype(stored)
            rest.columns = [str(c).removesuffix("_mwh") for c in rest.columns]
            rest.insert(0, "start", start)
            frames[f"{kind} {period}"] = rest[inside].reset_index(drop=True)
    return frames


def same(left: Tables, right: Tables) -> None:
    """Every table of the one is that of the other, bit by bit; rows of whole missing periods may be left out."""
    assert left.keys() == right.keys()
    for name, table in left.items():
        other = right[name]
        rows = np.intersect1d(table["start"], other["start"])
        for side in (table, other):
            extra = side[~side["start"].isin(rows)]
            nothing = extra.drop(columns=["start", "verdict", "estimated", "missing"], errors="ignore")
            assert (nothing.isna() | (nothing == "missing")).to_numpy().all(), f"{name}: {extra}"
        common = [side[side["start"].isin(rows)].reset_index(drop=True) for side in (table, other)]
        assert set(table.columns) == set(other.columns), name
        pd.testing.assert_frame_equal(common[0], common[1][list(common[0].columns)], check_exact=True, obj=name)
