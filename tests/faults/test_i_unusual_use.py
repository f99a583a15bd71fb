"""Unusual use in the running daemon: sixty days of a site in its store, then a week in which one load takes more.

What is said is read as anybody would: from the topic, from the page in both languages, by command, in the month's report.
"""

import json
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from openpyxl import load_workbook

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.main import main
from tests.app.drift_site import History, filled
from tests.brokers import Mosquitto, until
from tests.faults.page_client import PageClient, asked
from tests.faults.test_b_broker import hearing

pytestmark = pytest.mark.slow
LIMIT_S = 120.0
ID = "unusual-use-feeder5"
TOPIC = f"energy/solved-grid/finding/{ID}"


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> History:
    return filled(tmp_path_factory.mktemp("quiet"))


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as item:
        yield item


def begun(history: History, stack: ExitStack) -> PageClient:
    """A daemon with its page in the first minutes after the history's last day."""
    ahead = history.end_ms + 300_000 - time.time_ns() // 1_000_000
    clock = WallClock(lambda: time.time_ns() // 1_000_000 + ahead)
    return stack.enter_context(asked(load_plan(history.plan).site, history.store, clock))


def ordered(history: History, *arguments: str) -> int:
    return main(["findings", str(history.plan), "--store", str(history.store), *arguments])


def report_of_april(history: History, path: Path) -> str:
    """Every cell of the month's report in German."""
    arguments = ["report", str(history.plan), "--store", str(history.store), "--month", "2026-04", "--lang", "de"]
    assert main([*arguments, "--xlsx", str(path)]) == 0
    sheets = load_workbook(path).worksheets
    return " ".join(str(cell) for sheet in sheets for row in sheet.iter_rows(values_only=True) for cell in row)


def test_a_week_of_more_use_is_told_on_topic_and_page_and_ends_when_accepted(
    quiet: History, broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Feeder 5 takes 70 % more for eight days: one finding, about a load and no meter; accepted, it is not found again.

    So does feeder 1, for which the plan says that only a doubling matters.
    """
    history = quiet.copied(tmp_path / "case", broker.port)
    history.own["feeder1"] = "100,"
    history.write_plan()
    history.add(8, loads={"feeder5": 1.7, "feeder1": 1.7})
    with ExitStack() as stack:
        seen = stack.enter_context(hearing(broker, "energy/solved-grid/#"))
        client = begun(history, stack)
        assert client.has(ID, LIMIT_S)
        assert "unusual-use-feeder1" not in client.findings()
        assert until(lambda: seen.get(TOPIC, [b""])[-1], LIMIT_S)
        text = json.loads(seen[TOPIC][-1])["text"]
        assert "feeder5" in text
        assert "by 6 comparable weeks" in text
        assert [name for name in client.findings() if name.startswith(("drift", "balance-shift"))] == []
        page = client.html("findings", "de", id=ID)
        assert "vergleichbaren Wochen" in page
        assert 'id="use"' in page
        use = client.page_values("findings", id=ID)["use"]
        assert len(use["days_ms"]) >= 48
        assert sum(use["taken"][-8:]) > 1.5 * sum(use["usual"][-8:])
        assert "Neuen Normalzustand annehmen" in page or "neuen Normalzustand annehmen" in page
        assert "Ungewöhnlicher Verbrauch" in report_of_april(history, tmp_path / "april.xlsx")
        assert ordered(history, "--accept", ID, "--by", "Ada", "--note", "a second oven") == 0
        assert until(lambda: ID not in client.findings(), LIMIT_S)
        assert until(lambda: seen[TOPIC][-1] == b"", LIMIT_S)
    history.add(3, loads={"feeder5": 1.7})
    with ExitStack() as stack:
        client = begun(history, stack)
        assert until(lambda: client.here.daemon.use_judged() == (8, 8), LIMIT_S)
        assert client.looks_again()
        assert ID not in client.findings()
    assert "unusual-use-feeder5 is closed" in capsys.readouterr().out


def test_a_young_history_says_nothing_and_says_that_it_is_young(broker: Mosquitto, tmp_path: Path) -> None:
    """Thirty days, the last ten of them with 70 % more: no finding, and the page says why.

    Feeder 1 has a limit for its nights in the plan, which needs no history.
    """
    history = History(tmp_path / "case", broker.port, own={"feeder1": ",100"})
    history.folder.mkdir()
    history.write_plan()
    history.add(20)
    history.add(10, loads={"feeder5": 1.7})
    with ExitStack() as stack:
        client = begun(history, stack)
        assert until(lambda: client.here.daemon.use_judged() == (0, 8), LIMIT_S)
        assert client.looks_again()
        assert ID not in client.findings()
        assert "0 of 8 loads" in client.html("findings", "en")
        assert "more than its limit of 0.100 kW" in client.findings()["unusual-use-feeder1"]["text"]
        assert "mehr als seine Grenze von 0,100\N{NO-BREAK SPACE}kW" in client.html("findings", "de")


def test_heating_in_a_cold_week_is_no_finding_where_the_plan_names_the_outdoor_temperatures(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Feeder 5 heats: it takes 6 % more for each degree below 15. After nine weeks come eight days of frost.

    The plan gets the temperatures: the finding ends. Then it takes twice as much again, which no frost explains.
    """
    spells = [*((8, mean) for mean in (12.0, 10.0, 14.0, 11.0, 13.0, 10.0, 12.0, 11.0)), (8, -4.0)]
    history = History(tmp_path / "case", broker.port)
    history.folder.mkdir()
    history.write_plan()
    for days, mean in spells:
        history.add(days, loads={"feeder5": 1.0 + 0.06 * (15.0 - mean)})
    with ExitStack() as stack:
        client = begun(history, stack)
        assert client.has(ID, LIMIT_S)
        assert "% more than usual for a week like this" in client.findings()[ID]["text"]
    history.outdoor_c = [mean for days, mean in spells for _ in range(days)]
    history.write_plan()
    with ExitStack() as stack:
        client = begun(history, stack)
        assert until(lambda: ID not in client.findings(), LIMIT_S)
    history.add(5, loads={"feeder5": 1.0 + 0.06 * 19.0 + 1.2})
    history.outdoor_c += [-4.0] * 5
    history.write_plan()
    with ExitStack() as stack:
        client = begun(history, stack)
        assert client.has(ID, LIMIT_S)
        assert "by the outdoor temperatures" in client.html("findings", "en", id=ID)
        assert "Nach den Außentemperaturen" in client.html("findings", "de", id=ID)
