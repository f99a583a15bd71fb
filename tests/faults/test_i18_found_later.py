"""Fault I18: what was wrong in a month stands in the report of that month, though it was found after it, with both dates."""

from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from tests.brokers import Mosquitto, until
from tests.faults.mill import DAY, FAR, MAY, message, publish, sending, write_plan
from tests.faults.page_client import asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000
JUNE = MAY + 40 * DAY  # 13 June


def test_i18_a_register_that_began_anew_in_may_and_was_found_in_june_is_in_the_report_of_may(tmp_path: Path) -> None:
    """A logger hands over readings of May in June: May's report has the reset, with both dates."""
    store = tmp_path / "s.sqlite"
    with Mosquitto() as broker, sending(broker.port) as out:
        plan = write_plan(tmp_path / "plan", broker.port, limits=FAR)
        with asked(load_plan(plan).site, store, Wall(JUNE).clock()) as page:
            assert until(out.connected)
            late = [(minute, 10_000 + 100 * minute) for minute in range(30)]
            late += [(minute, 100 * (minute - 29)) for minute in range(30, 60)]  # it counts on from nothing
            publish(out, [("m/q01", message(MAY + m * MINUTE, **{"import": wh})) for m, wh in late])
            publish(out, [("m/q01", message(JUNE, **{"import": 5_000}))])
            assert page.has("reset-q01"), page.findings()
    assert (
        main(["report", str(plan), "--store", str(store), "--month", "2026-05", "--xlsx", str(tmp_path / "may.xlsx")])
        == 0
    )
    rows = list(openpyxl.load_workbook(tmp_path / "may.xlsx")["Findings"].iter_rows(values_only=True))
    (row,) = [item for item in rows if "q01" in item]
    result, begun = row[0], row[1]
    assert isinstance(result, datetime)
    assert isinstance(begun, datetime)
    assert (result.month, result.day) == (6, 13)
    assert (begun.month, begun.day) == (5, 4)
    assert datetime.fromtimestamp(JUNE / 1000, UTC).day == 13
