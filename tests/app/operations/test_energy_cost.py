"""A year of bills of a solved site, replayed into a store and asked of the command: the published table on a second route.

`vectors/tariff_siteA_year.csv` (prices are made up; energies ODbL, see its first line) was worked out without this program.
"""

import json
import shutil
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from meterd.app.cli.main import main
from meterd.core.model.reading import EXPORT, IMPORT
from tests.acceptance import site_a

pytestmark = pytest.mark.slow
VECTORS = Path(__file__).parents[2] / "vectors"
NEW_YEAR_2018 = 1_514_761_200_000  # at UTC+1
INTERVALS = 35_040
CHANNELS = (("grid", IMPORT), ("grid", EXPORT), ("pv", IMPORT))
ON, WINTER, SUMMER = '"mon-fri 08:00-20:00"', '"10-4"', '"5-9"'
TARIFF = f"""
[[tariff]]
name = "fixed"
kind = "fixed"
price = 45
[[tariff]]
name = "winter, on"
kind = "import"
price = 0.2315
months = {WINTER}
times = {ON}
[[tariff]]
name = "winter, off"
kind = "import"
price = 0.1874
months = {WINTER}
not_times = {ON}
[[tariff]]
name = "summer, on"
kind = "import"
price = 0.2190
months = {SUMMER}
times = {ON}
[[tariff]]
name = "summer, off"
kind = "import"
price = 0.1642
months = {SUMMER}
not_times = {ON}
[[tariff]]
name = "demand, on"
kind = "demand"
price = 9.80
times = {ON}
[[tariff]]
name = "demand, any"
kind = "demand"
price = 3.15
[[tariff]]
name = "export"
kind = "export"
price = 0.0712
[[tariff]]
name = "CO2"
kind = "carbon"
price = 485
"""


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Plan and store of the year, laid over 2018 with a clock that never changes."""
    folder = tmp_path_factory.mktemp("tariff")
    plan, store = site_a.write_plan(folder / "plan"), folder / "year.sqlite"
    text = (plan / "site.toml").read_text().replace("Europe/Berlin", "Etc/GMT-1")
    (plan / "site.toml").write_text(text + TARIFF)
    for name in ("points.csv", "instruments.csv", "inputs.csv"):
        rows = [row for row in (plan / name).read_text().splitlines() if not row.startswith("feeder")]
        (plan / name).write_text("\n".join(rows).replace("pv,main,pv,feeder-6", "pv,main,pv,") + "\n")
    times, shown = site_a.registers()
    times = times[: INTERVALS + 1] - times[0] + NEW_YEAR_2018
    some = {channel: shown[channel][: INTERVALS + 1] for channel in CHANNELS}
    columns = site_a.write_wide(folder / "year.parquet", times, some)
    assert main(["replay", str(plan), str(folder / "year.parquet"), "--into", str(store), *columns]) == 0
    return plan, store


def asked(capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path], *options: str) -> list[dict[str, Any]]:
    """Lines of `meterd energy --cost`."""
    capsys.readouterr()
    plan, store = mill
    assert main(["energy", str(plan), "--cost", "--store", str(store), "--format", "json", *options]) == 0
    lines: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return lines


YEAR = ("--from", "2018", "--until", "2019")


def test_twelve_bills_are_those_of_the_published_table(
    capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path]
) -> None:
    """Every line of every month within its rounding; the sum is the sum of the lines as they are shown."""
    table = pd.read_csv(VECTORS / "tariff_siteA_year.csv", comment="#")
    lines = [line for line in asked(capsys, mill, *YEAR) if line["of"] == "site"]
    assert len(table) == 12
    for row in table.itertuples():
        month = {line["line"]: line for line in lines if line["period"] == f"2018-{row.month:02}"}
        season = "winter" if row.month in (1, 2, 3, 4, 10, 11, 12) else "summer"
        results = [
            month[name]["amount_exact"]
            for name in ("fixed", f"{season}, on", f"{season}, off", "demand, on", "demand, any", "export")
        ]
        wanted = [row.fixed, row.energy_on, row.energy_off, row.demand_on, row.demand_any, row.export_credit]
        assert np.allclose(results, wanted, atol=1e-4)  # energies are whole mWh, amounts a hundredth of a cent
        assert month["demand, on"]["demand_w"] / 1000 == pytest.approx(row.peak_on_kw, abs=1e-5)
        assert month["sum"]["amount_exact"] == pytest.approx(row.bill, abs=5e-4)
        assert round(sum(results), 4) == month["sum"]["amount_exact"]
        shown = [Decimal(str(line["amount"])) for name, line in month.items() if name not in ("sum", "CO2")]
        assert sum(shown) == Decimal(str(month["sum"]["amount"])) == round(Decimal(str(sum(results))), 2), (
            "in whole cents"
        )


def test_the_year_is_the_sum_of_its_months_and_has_the_published_carbon(
    capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path]
) -> None:
    """Kilowatt hours, sum and carbon; PV saves its self-use at the price of its hours and earns the export."""
    months, year = asked(capsys, mill, *YEAR), asked(capsys, mill, *YEAR, "--period", "year")
    table = pd.read_csv(VECTORS / "tariff_siteA_year.csv", comment="#")

    def of(lines: list[dict[str, Any]], whose: str, name: str, key: str = "amount_exact") -> float:
        return float(round(sum(line[key] for line in lines if (line["of"], line["line"]) == (whose, name)), 4))

    assert of(year, "site", "sum") == of(months, "site", "sum") == pytest.approx(table["bill"].sum(), abs=5e-3)
    import_kwh = float((table["import_on_kwh"] + table["import_off_kwh"]).sum())
    assert of(year, "site", "CO2", "co2_g") / 1000 == pytest.approx(import_kwh * 0.485, abs=1e-2)
    assert of(year, "PV", "export, paid") == pytest.approx(0.0712 * float(table["export_kwh"].sum()), abs=5e-3)
    saved, used = of(year, "PV", "self-use, not bought"), of(year, "PV", "self-use, not bought", "energy_wh") / 1000
    assert 0.1642 * used < saved < 0.2315 * used


def test_part_of_a_month_says_since_when_and_a_day_is_refused(
    capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path], tmp_path: Path
) -> None:
    """The store ends with the year: nothing is billed behind it, and no bill is made for a day."""
    plan, store = mill
    assert asked(capsys, mill, "--from", "2019", "--until", "2020") == []
    options = ["--cost", "--store", str(store), "--period", "hour"]
    assert main(["energy", str(plan), *options]) == 2
    assert "costs are made for a month or a year" in capsys.readouterr().err
    bare = tmp_path / "bare"
    shutil.copytree(plan, bare)
    text = (bare / "site.toml").read_text()
    (bare / "site.toml").write_text(text[: text.index("[[tariff]]")])
    assert main(["energy", str(bare), "--cost", "--store", str(store)]) == 2
    assert "has no [[tariff]]" in capsys.readouterr().err


def test_another_tariff_makes_the_published_bill_of_the_year(
    capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path], tmp_path: Path
) -> None:
    """The plan has prices a tenth of a unit higher; what if it had the published ones? And a battery of 40 kWh with 50 kWp."""
    plan, store = mill
    (tmp_path / "other.toml").write_text(TARIFF)
    dear = shutil.copytree(plan, tmp_path / "dear")
    text = (dear / "site.toml").read_text()
    (dear / "site.toml").write_text(text.replace("price = 0.2", "price = 0.3"))

    def asked_what_if(*options: str) -> dict[str, dict[str, Any]]:
        capsys.readouterr()
        arguments = ["what-if", str(dear), "--store", str(store), "--year", "2018", "--format", "json"]
        assert main([*arguments, "--tariff", str(tmp_path / "other.toml"), *options]) == 0
        return {figure["figure"]: figure for figure in json.loads(capsys.readouterr().out)["figures"]}

    table = pd.read_csv(VECTORS / "tariff_siteA_year.csv", comment="#")
    results = asked_what_if()
    assert results["bill"]["after"] == pytest.approx(table.bill.sum(), abs=0.01)
    assert results["bill"]["before"] > table.bill.sum()
    assert results["imported"]["before"] == results["imported"]["after"]
    assert results["imported"]["after"] == pytest.approx(
        (table.import_on_kwh + table.import_off_kwh).sum() * 1000, abs=20
    )
    more = asked_what_if("--pv", "50", "--pv-installed", "80", "--battery", "40", "--contract", "150")
    assert more["produced"]["after"] == pytest.approx(1.625 * more["produced"]["before"], rel=1e-6)
    left_out = [more[key]["after"] - more[key]["before"] for key in ("imported", "exported", "produced")]
    assert left_out[0] - left_out[1] + left_out[2] == pytest.approx(
        more["lost"]["after"] + more["left"]["after"], abs=0.01
    )
    assert more["bill"]["after"] < results["bill"]["after"]
    assert 0 < more["above"]["after"] < 500


def test_a_holiday_is_billed_as_a_sunday(
    capsys: pytest.CaptureFixture[str], mill: tuple[Path, Path], tmp_path: Path
) -> None:
    """1 May 2018 is a Tuesday: what it took from 8 to 20 o'clock goes from one line of the month to the other."""
    plan = shutil.copytree(mill[0], tmp_path / "plan")
    text = (plan / "site.toml").read_text()
    (plan / "site.toml").write_text(text.replace("[site]\n", '[site]\nholidays = ["2018-05-01", 2018-12-25]\n', 1))

    def kwh(of: tuple[Path, Path]) -> dict[str, float]:
        lines = asked(capsys, of, "--from", "2018-05", "--until", "2018-06")
        return {
            line["line"]: line["energy_wh"] / 1000 for line in lines if line["of"] == "site" and line.get("energy_wh")
        }

    plain, with_holiday = kwh(mill), kwh((plan, mill[1]))
    capsys.readouterr()
    hours = ("energy", str(plan), "--store", str(mill[1]), "--point", "grid", "--period", "hour", "--format", "json")
    assert main([*hours, "--from", "2018-05-01T07:00:00Z", "--until", "2018-05-01T19:00:00Z"]) == 0
    moved = sum(row["energy_wh"] for row in json.loads(capsys.readouterr().out) if row["register"] == "import") / 1000
    assert moved > 1
    assert with_holiday["summer, on"] == pytest.approx(plain["summer, on"] - moved, abs=1e-3)
    assert with_holiday["summer, off"] == pytest.approx(plain["summer, off"] + moved, abs=1e-3)
