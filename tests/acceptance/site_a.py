"""A solved low-voltage site as registers, plan and messages: what the acceptance tests send through the tool."""

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel

DATA = Path(__file__).parents[1] / "data"
FEEDERS = [f"feeder-{k}" for k in range(1, 8)]
POINTS = ["grid", *FEEDERS, "pv"]
CHANNELS: list[Channel] = [(p, r) for p in POINTS for r in (IMPORT, EXPORT) if (p, r) != ("pv", EXPORT)]
WORDS = {IMPORT: "import", EXPORT: "export"}
QUARTER = 900_000
TOPIC = "site-a/registers"


def columns() -> dict[str, str]:
    """Register (point.import) -> column of the answers."""
    results = {"grid.import": "import_kwh", "grid.export": "export_kwh", "pv.import": "pv_kwh"}
    for k, name in enumerate(FEEDERS, 1):
        results |= {f"{name}.import": f"feeder{k}_in_kwh", f"{name}.export": f"feeder{k}_out_kwh"}
    return results


def registers() -> tuple[npt.NDArray[np.int64], dict[Channel, npt.NDArray[np.int64]]]:
    """Readings at every quarter hour of 2016 and at its end: times in ms UTC, and what each register shows in mWh.

    Mean power is clipped at zero into import and export, each quarter hour rounded to whole mWh, and added up.
    """
    table = pq.read_table(DATA / "siteA_main.parquet")
    start = table["ts_utc"].cast(pa.timestamp("ms", tz="UTC")).cast(pa.int64()).to_numpy()
    names = {"grid": "main_p_kw", "pv": "pv_p_kw"} | {p: f"feeder{k}_p_kw" for k, p in enumerate(FEEDERS, 1)}
    shown = {}
    for k, (point, register) in enumerate(CHANNELS):
        power = table[names[point]].to_numpy() * (1.0 if register == IMPORT else -1.0)
        energy = np.rint(np.maximum(power, 0.0) * 0.25 * 1e6).astype(np.int64)
        shown[point, register] = np.concatenate([[0], np.cumsum(energy)]) + 1_234_567_891 * (k + 1)
    return np.append(start, start[-1] + QUARTER), shown


def write_plan(folder: Path, port: int = 1883) -> Path:
    """A plan folder: one board, the transformer feeds it, seven feeders, PV behind a feeder."""
    folder.mkdir()
    (folder / "site.toml").write_text(
        f"""\
[site]
name = "site-a"
zone = "Europe/Berlin"

[broker]
host = "127.0.0.1"
port = {port}

[limits]
future_s = 40000000
gap_exact_s = 900

[[board]]
name = "main"
rating_kva = 630

[[source]]
name = "meters"
""",
        encoding="utf-8",
    )
    rows = ["grid,main,feed,,,", *(f"{f},main,feeder,,,250" for f in FEEDERS), "pv,main,pv,feeder-6,,"]
    (folder / "points.csv").write_text("\n".join(["point,board,role,below,title,rating_a", *rows, ""]))
    rows = ["grid,0.5S,0.5,1000/5", *(f"{f},B,0.5,250/5" for f in FEEDERS), "pv,B,0.5,250/5"]
    (folder / "instruments.csv").write_text("\n".join(["point,meter_class,ct_class,ct_ratio", *rows, ""]))
    rows = [f"{p},{r},meters,{TOPIC},/{p}/{WORDS[r]},Wh,/time" for p, r in CHANNELS]
    (folder / "inputs.csv").write_text("\n".join(["point,register,source,address,field,unit,time_field", *rows, ""]))
    return folder


def write_wide(path: Path, times: npt.NDArray[np.int64], shown: dict[Channel, npt.NDArray[np.int64]]) -> list[str]:
    """Readings as a wide Parquet file in Wh; returns the `--map` arguments for it."""
    data = {"time": pa.array(times, pa.timestamp("ms", tz="UTC"))}
    data |= {f"{p} {WORDS[r]}": pa.array(values / 1000) for (p, r), values in shown.items()}
    pq.write_table(pa.table(data), path)
    return [word for p, r in shown for word in ("--map", f"{p} {WORDS[r]}={p}:{r}")]


def messages(times: npt.NDArray[np.int64], shown: dict[Channel, npt.NDArray[np.int64]]) -> Iterator[bytes]:
    """One message per time with all registers, in Wh."""
    stamps = pd.to_datetime(times, unit="ms", utc=True).strftime("%Y-%m-%dT%H:%M:%SZ")
    by_row = np.stack([shown[c] for c in CHANNELS], axis=1) / 1000
    for stamp, row in zip(stamps, by_row.tolist(), strict=True):
        message: dict[str, object] = {"time": stamp}
        for (point, register), value in zip(CHANNELS, row, strict=True):
            of_point = message.setdefault(point, {})
            assert isinstance(of_point, dict)
            of_point[WORDS[register]] = value
        yield json.dumps(message).encode()
