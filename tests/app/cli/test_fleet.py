"""Fault H7: several sites with several versions of the program: all are seen, and the same readings give the same figures."""

import gzip
import json
import os
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path

import pytest

from meterd import __version__
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.dump import ArchiveReader
from meterd.app.cli.main import main
from meterd.core.model.periods import Period, text
from meterd.core.topics.message import Service
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import Child, message, now_ms, publish, sending, write_plan
from tests.table_digests import assert_tables

PRICE = '[[tariff]]\nname = "day"\nkind = "import"\nprice = 0.2\n'
OUT_OF_DATE = "north.toml is out of date"
GOLDEN = Path(__file__).parents[2] / "vectors" / "golden"


def service(version: str, **more: object) -> bytes:
    """What a site of another version retains."""
    fields = json.loads(Service(True, "b2", 3, 4, version, now_ms(), 10).message("energy/x").payload)
    return json.dumps(fields | more).encode()


def line_of(site: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The line of a site in what was printed."""
    return next((line for line in capsys.readouterr().out.splitlines() if line.startswith(f"{site} ")), "")


@pytest.mark.slow
def test_h7_sites_of_three_versions_are_listed_from_their_brokers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two brokers, one running daemon, sites of an older and a newer version, one that is gone, one nobody understands."""
    port = free_port()
    with Mosquitto() as first, Mosquitto() as second:
        plan = write_plan(tmp_path, first.port, limits="")
        written = plan.read_text(encoding="utf-8").replace("site = { ", 'site = { tariff = "north.toml", ', 1)
        plan.write_text(f"{written}\n[page]\nport = {port}\n", encoding="utf-8")
        tariff = tmp_path / "north.toml"
        tariff.write_text(f'{PRICE}from = "2031-01-01"\n', encoding="utf-8")
        newer = [asdict(part) for part in load_plan(plan).site.files]
        tariff.write_text(PRICE, encoding="utf-8")
        with sending(first.port) as out, Child(plan, tmp_path / "s.sqlite") as child:
            assert until(out.connected)
            out.publish(
                "energy/quay/service", service("9.9.9", zone_rules="2031a", unheard="of", files=newer), retain=True
            )
            out.publish("energy/quay/finding/stale-q01", b"{}", retain=True)
            out.publish("energy/yard/service", b"\x1b[31mred", retain=True)
            publish(out, [("m/q01", message(now_ms(), **{"import": 5}))])
            other = f"127.0.0.1:{second.port}/power"
            with sending(second.port, name="other") as there:
                assert until(there.connected)
                gone = Service(False, "c3", 1, 0, "0.0.1", None, 10).message("power/ferry")
                there.publish("power/ferry/service", gone.payload, retain=True)
                assert until(lambda: there.unacknowledged() == 0 and out.unacknowledged() == 0)
            assert until(lambda: main(["health", str(plan)]) == 0, 30), child.said()
            assert until(lambda: main(["health", str(plan), "--ready"]) == 0, 30), child.said()
            assert f"mill: ready, version {__version__}" in capsys.readouterr().out
            assert main(["health", f"http://127.0.0.1:{port}/health", "--format", "json"]) == 0
            assert json.loads(capsys.readouterr().out)["site"] == "mill"

            capsys.readouterr()
            assert until(lambda: main(["fleet", str(plan)]) == 1 and " live " in line_of("mill", capsys), 30), (
                child.said()
            )
            assert main(["fleet", str(plan), other, "--format", "json"]) == 1
            result = json.loads(capsys.readouterr().out)
            rows = {row["site"]: (row["state"], row["version"], row["findings"]) for row in result["sites"]}
            mine = rows.pop("mill")
            assert mine[:2] == ("live", __version__)
            assert rows == {
                "quay": ("live", "9.9.9", 1), "yard": ("not understood", None, 0), "ferry": ("gone", "0.0.1", 0)
            }  # fmt: skip
            assert result["troubles"] == []
            assert [(file["name"], file["judged"], file["sites"]) for file in result["files"]] == [
                ("north.toml", "dates", ["mill"])
            ]
            assert main(["fleet", str(plan), other]) == 1
            output = capsys.readouterr()
            assert "3 versions of the program" in output.out
            assert f"{OUT_OF_DATE} at 1 of 2 sites: mill" in output.out
            assert "\x1b" not in output.out
            tariff.write_text(f'{PRICE}from = "2031-01-01"\n', encoding="utf-8")

            def told() -> str:
                main(["fleet", str(plan)])
                return capsys.readouterr().out

            assert until(lambda: OUT_OF_DATE not in told()), child.said()
            assert child.stop() == 0
        assert main(["fleet", f"127.0.0.1:{second.port}"]) == 1
        assert "no site below energy/" in capsys.readouterr().err
    assert main(["health", str(plan)]) == 1
    assert "no answer" in capsys.readouterr().err
    assert main(["fleet", other]) == 1
    assert "cannot be asked" in capsys.readouterr().err
    assert main(["fleet", "[::"]) == 2


# -- the same readings, the same figures -------------------------------------------------------------------------------


def figures(folder: Path) -> dict[str, list[str]]:
    """Every figure made of the golden readings as lines of text, by kind and period, in order.

    Bands and reconciled flows come from floating point and may differ by a milliwatt-hour between libraries: left out.
    """
    readings = folder / "readings.csv"
    readings.write_bytes(gzip.decompress((GOLDEN / "readings.csv.gz").read_bytes()))
    store = folder / "golden.sqlite"
    assert main(["replay", str(GOLDEN / "plan.toml"), str(readings), "--into", str(store)]) == 0
    reader, results = ArchiveReader(store), dict[str, list[str]]()
    for period in Period:
        span = period, -(2**62), 2**62
        results[f"energy {period}"] = [
            f"{point},{register},{text(row[0])},{row[1]},{row[2]}"
            for point, register in reader.channels
            for row in reader.figures((point, register), *span)
        ]
        results[f"balance {period}"] = [
            ",".join(map(str, (text(row[0]), text(row[1]), *row[2:5], *row[6:9])))
            for row in reader.balances("main", *span)
        ]
        results[f"pv {period}"] = [
            ",".join(map(str, (text(row[0]), text(row[1]), *row[2:8]))) for row in reader.pv(*span)
        ]
    reader.close()
    return results


def test_h7_the_same_readings_give_the_same_figures_in_every_version(tmp_path: Path) -> None:
    """vectors/golden, made by version 0.1.0: two weeks with the clock change, an exchange, rollovers, a reset, a gap, a register
    that stood still. A change of figures on purpose: METERD_GOLDEN=write, and a line in the changelog."""
    results = figures(tmp_path)
    days = [f"{kind}: {line}" for kind, lines in results.items() if kind.endswith(" day") for line in lines]
    hashes = [
        f"{kind},{len(lines)},{sha256(chr(10).join(lines).encode()).hexdigest()}" for kind, lines in results.items()
    ]
    if os.environ.get("METERD_GOLDEN") == "write":
        (GOLDEN / "days.txt").write_text("\n".join(days) + "\n", encoding="utf-8")
        (GOLDEN / "hashes.csv").write_text("\n".join(hashes) + "\n", encoding="utf-8")
    # the days first, in plain figures: what differs is seen at once
    assert days == (GOLDEN / "days.txt").read_text(encoding="utf-8").splitlines()
    assert hashes == (GOLDEN / "hashes.csv").read_text(encoding="utf-8").splitlines()
    assert sum(len(lines) for lines in results.values()) > 10_000

    # a correction on top: old versions of figures and balances
    plan, store = tmp_path / "plan.toml", tmp_path / "golden.sqlite"
    plan.write_bytes((GOLDEN / "plan.toml").read_bytes())
    of_q01 = ["--point", "q01", "--from", "2025-10-25", "--to", "2025-10-28", "--factor", "250/200"]
    who = ["--reason", "plate says 250/5", "--person", "Ada"]
    assert main(["correct", str(plan), *of_q01, *who]) == 0
    assert_tables("golden", store)
