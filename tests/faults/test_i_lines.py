"""I15: a database that has another type for a field refuses lines; once that is mended they go again, at once by command."""

from pathlib import Path

import pytest

from meterd.adapters.line_database.client import Database
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from tests.brokers import Mosquitto, until
from tests.databases import TOKEN, Influx
from tests.faults.mill import MAY, as_readings, minutes, publish, running, sending, write_plan
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000


def aside(store: Path) -> list[str]:
    """Lines that the store holds as refused."""
    reader = SqliteStore.reader(store)
    try:
        return [refused.line for refused in reader.outbox.refused()]
    finally:
        reader.close()


def test_i15_lines_that_were_refused_go_again_at_once_when_somebody_asks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found with a type conflict of a field: after it was mended, 3,490 of 3,900 lines never arrived."""
    store, wall = tmp_path / "s.sqlite", Wall(MAY + 17 * MINUTE)
    sent = minutes(18)
    with Influx() as database, Mosquitto() as broker, sending(broker.port) as out:
        plan = write_plan(tmp_path / "plan", broker.port)
        (plan.parent / "db-token").write_text(TOKEN, encoding="utf-8")
        table = f'line_store = {{ url = "{database.url}", org = "mill", bucket = "mill", token_file = "db-token" }}\n'
        plan.write_text(table + plan.read_text(encoding="utf-8"), encoding="utf-8")
        site = load_plan(plan).site
        command = ["lines", str(plan), "--store", str(store)]
        other = Database(site.line_store, TOKEN)
        assert other.write([f'energy,site=mill energy_wh="text" {MAY}']).status == 204
        other.close()
        with running(site, store, wall.clock()) as here:
            assert until(lambda: out.connected() and here.daemon.snapshot is not None)
            publish(out, sent)
            assert until(lambda: database.count("reading", "value") >= len(as_readings(sent)), 60)
            assert here.has("lines-refused-mill")
            assert until(lambda: len(aside(store)) >= 6), "an interval has six energies"
            refused = aside(store)
            assert {line.partition(",")[0] for line in refused} == {"energy"}
            assert main(command) == 0
            assert f"{len(refused)} lines are set aside" in capsys.readouterr().out
            database.ask('DROP MEASUREMENT "energy"', method="POST")
            assert not until(lambda: database.count("energy", "energy_wh"), 3), "it is asked again after ten minutes"
            assert main([*command, "--again"]) == 0
            assert until(lambda: database.count("energy", "energy_wh") == len(refused), 30)
            assert until(lambda: aside(store) == [], 30)
            assert until(lambda: "lines-refused-mill" not in here.findings(), 30)
        capsys.readouterr()
        assert main(command) == 0
        assert "0 lines are set aside" in capsys.readouterr().out
