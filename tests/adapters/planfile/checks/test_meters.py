"""Instruments and inputs of a plan: each fault with its place and what would be right."""

from pathlib import Path

import pytest

from tests.plan_faults import Case, label, refused

CASES: list[Case] = [
    ("instruments.csv", "q02,2024", "q03,2024", "instruments.csv:6:1", "point q03 does not exist", "did you mean q0"),
    (
        "instruments.csv",
        "q01,2025-03-01",
        "q01,2025-02-28",
        "instruments.csv:5:5",
        "two instruments at",
        "until of the old",
    ),
    (
        "instruments.csv",
        "2024-01-01,2025-03-01",
        "2024-01-01,2023-03-01",
        "instruments.csv:4:16",
        "not after",
        "taken out",
    ),
    ("instruments.csv", "q02,2024-01-01", "q02,01.01.2024", "instruments.csv:6:5", "is not a date", "2026-05-04"),
    ("instruments.csv", "q02,2024-01-01", "q02,2024-02-30", "instruments.csv:6:5", "is not a date", "2026-05-04"),
    ("instruments.csv", "q02,2024-01-01", "q02,2024-01-01 10:00", "instruments.csv:6:5", "has no zone", "+01:00"),
    ("instruments.csv", "q02,2024-01-01", "q02,1024-01-01", "instruments.csv:6:5", "year 1024", "1970"),
    ("instruments.csv", "600/5", "600:5", "instruments.csv:3:31", "'600:5' is not a ratio", "250/5"),
    ("instruments.csv", "600/5", "5/600", "instruments.csv:3:31", "ratio of a current transformer", "250/5"),
    ("instruments.csv", "t2,2024-01-01,,0.5S", "t2,2024-01-01,,0.5 S", "instruments.csv:3:16", "'0.5 S'", "write 0.5S"),
    (
        "instruments.csv",
        "t2,2024-01-01,,0.5S,0.5",
        't2,2024-01-01,,"0,5s",0.5',
        "instruments.csv:3:16",
        "'0,5s'",
        "0.5S",
    ),
    (
        "instruments.csv",
        "t2,2024-01-01,,0.5S,0.5",
        "t2,2024-01-01,,0.5S,0.7",
        "instruments.csv:3:21",
        "'0.7'",
        "known: 0.1, 0.2",
    ),
    ("instruments.csv", "set-b", "set-a", "instruments.csv:3:31", "ct_ratio differs", "one ratio"),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.9=500", "instruments.csv:4:38", "register '1.8.9'", "1.8.0?"),
    ("instruments.csv", ",,1.8.0=500", ",,16.7.0=500", "instruments.csv:4:38", "does not count", "1.8.0"),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.0=2e9", "instruments.csv:4:38", "beyond register_max_wh", "width"),
    (
        "instruments.csv",
        ",,1.8.0=500",
        ",,1.8.0=0.0001",
        "instruments.csv:4:38",
        "cannot show '0.0001'",
        "three decimal",
    ),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.0=5 1.8.0=6", "instruments.csv:4:38", "appears twice", "2.8.0=4"),
    ("instruments.csv", ",1e9,1.8.0=3,", ",1e9,,1.8.0=3", "instruments.csv:5:16", "closing reading without", "until"),
    ("instruments.csv", "1e9,1.8.0=3", "-1,1.8.0=3", "instruments.csv:5:23", "not above zero", "above zero"),
    ("instruments.csv", "1e9,1.8.0=3", "1e16,1.8.0=3", "instruments.csv:5:23", "larger than 1e15", "unit"),
    ("inputs.csv", "q01,16.7.0", "q1,16.7.0", "inputs.csv:5:1", "point q1 does not exist", "mean q01?"),
    ("inputs.csv", "q02,1.8.0", "q02,1.8", "inputs.csv:6:5", "register '1.8' is not known", "1.8.0"),
    ("inputs.csv", "q02,1.8.0", "q02,import", "inputs.csv:6:5", "register 'import' is not known", "write 1.8.0"),
    ("inputs.csv", "q02,1.8.0", "q02,", "inputs.csv:6:5", "register is missing", "1.8.0 (import)"),
    ("inputs.csv", "1.8.0,broker,pulses", "1.8.0,brokr,pulses", "inputs.csv:6:11", "source brokr does", "mean broker?"),
    ("inputs.csv", ",pulses/q02,", ",,", "inputs.csv:6:18", "address is missing", "write the address"),
    ("inputs.csv", "pulses/q02", "pulses/+", "inputs.csv:6:18", "wildcard", "{point}"),
    ("inputs.csv", "pulses/q02", "pulses/#", "inputs.csv:6:18", "wildcard", "{point}"),
    ("inputs.csv", "pulses/q02", "$SYS/uptime", "inputs.csv:6:18", "belongs to the broker", "$"),
    ("inputs.csv", "pulses/q02", "energy/mill/point/t1", "inputs.csv:6:18", "own output energy/mill/", "of the meter"),
    ("inputs.csv", "/power_w", "/power~w", "inputs.csv:5:30", "not a JSON Pointer", "~0"),
    ("inputs.csv", "/power_w", "power w", "inputs.csv:5:30", "neither a JSON Pointer nor", "/import_wh"),
    ("inputs.csv", "Wh,ct,/time", "Wh,ct,time", "inputs.csv:3:44", "not a JSON Pointer", "/time"),
    ("inputs.csv", "/power_w,W", "/power_w,kWh", "inputs.csv:5:39", "does not fit register 16.7.0", "W, kW, MW"),
    ("inputs.csv", "/power_w,W", "/power_w,KW", "inputs.csv:5:39", "unit 'KW' is not known", "write kW"),
    ("inputs.csv", "kWh,0.1", "kWh,0", "inputs.csv:4:44", "every value zero", "write 1"),
    ("inputs.csv", "kWh,0.1", "kWh,-0.1", "inputs.csv:4:44", "negative scale", "2.8.0"),
    ("inputs.csv", "kWh,0.1", "kWh,ct", "inputs.csv:4:44", "needs the ct_ratio", "instruments.csv:4:1"),
    ("inputs.csv", "kWh,0.1", "kWh,cd*2", "inputs.csv:4:44", "'cd*2' is not a number", "decimal point"),
    ("inputs.csv", "kWh,0.1", "imp,0.1", "inputs.csv:4:40", "needs the pulse_wh", "instruments.csv:4:1"),
    (
        "inputs.csv",
        "q01,16.7.0,broker,meters/q01,/power_w,W",
        "q01,1.8.0,broker,meters/q01,/energy_wh,Wh",
        "inputs.csv:5:5",
        "has two inputs, see inputs.csv:4:1",
        "keep one",
    ),
    ("inputs.csv", "/power_w,W", "/import_wh,W", "inputs.csv:5:19", "already read for q01 1.8.0", "correct"),
    ("inputs.csv", "point,register", "point,regster", "inputs.csv:1:7", "unknown column 'regster'", "register?"),
]


@pytest.mark.parametrize("case", CASES, ids=label)
def test_each_rule_is_refused_with_place_reason_and_remedy(tmp_path: Path, case: Case) -> None:
    refused(tmp_path, case)
