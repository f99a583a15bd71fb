"""Page "change-meter": the record of an exchange is checked and reported as command and rows; slips at their fields."""

import csv
import shlex
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.web.corrections import exchange_page as change_meter
from meterd.adapters.web.request_context import RequestContext
from meterd.app.cli.main import main
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import DaemonWebBackend
from meterd.core.model.reading import IMPORT
from meterd.core.registers.meter_exchange import ExchangeEntry
from tests.adapters.web.corrections.exchange_requests import ADA, SWAP, swapped
from tests.adapters.web.request_contexts import shot
from tests.app.cli.test_exchange import COUNTED, OUT
from tests.app.small_plant import DAY, MAY, STEP, filled, keep
from tests.app.small_plant import readings as shown


def test_a_point_is_chosen_first_and_shows_what_is_fitted(exchange_context: RequestContext) -> None:
    """With the newest readings as the meter shows them, and its data to begin with."""
    nothing = change_meter.view(exchange_context, ADA, shot(exchange_context), change_meter.ExchangeQuery())
    assert (nothing.point, [point_choice.point for point_choice in nothing.points]) == (
        "",
        ["t1", "q01", "q02", "room-1", "room-2"],
    )
    view = change_meter.view(
        exchange_context, ADA, shot(exchange_context), change_meter.ExchangeQuery(point="old-ovens")
    )
    assert view.fitted is not None
    assert (view.point, view.fitted.serial, view.written["meter_class"]) == ("q01", "A-2", "B")
    assert [(register_row.register_, register_row.last_milli) for register_row in view.registers] == [
        ("import", 12_066_667), ("export", 0), ("reactive-import", None),
    ]  # fmt: skip
    for point, text in (("q77", "no point q77"), ("t1", "no instrument fitted at t1")):
        with pytest.raises(HTTPException, match=text):
            change_meter.view(exchange_context, ADA, shot(exchange_context), change_meter.ExchangeQuery(point=point))


def test_a_sound_exchange_is_reported_as_command_and_rows(exchange_context: RequestContext) -> None:
    """The command holds everything quoted, in base units; the page has written nothing."""
    view = swapped(exchange_context, serial="B 3", note="it's verified until 2034", meter_class="A")
    assert (view.faults, view.doubts) == ([], [])
    assert view.record is not None
    parts = shlex.split(view.record.command)
    assert parts[:3] == ["meterd", "exchange", "PLAN"]
    assert parts[3:] == [
        "--point=q01", "--at=2026-05-04T15:00:30+02:00", "--closing=import=12030 export=0 reactive-import=0",
        "--opening=import=12050 export=0 reactive-import=0", "--serial=B 3", "--meter-class=A", "--person=ada",
        "--note=it's verified until 2034",
    ]  # fmt: skip
    rows = list(csv.DictReader([view.record.columns, view.record.old, view.record.new]))
    assert [(row["serial"], row["meter_class"], row["from"], row["until"]) for row in rows] == [
        ("A-2", "B", "2026-05-03T08:13:20+02:00", "2026-05-04T15:00:30+02:00"),
        ("B 3", "A", "2026-05-04T15:00:30+02:00", ""),
    ]
    assert (rows[0]["closing_wh"], rows[1]["opening_wh"]) == (
        "1.8.0=12030 2.8.0=0 3.8.0=0",
        "1.8.0=12050 2.8.0=0 3.8.0=0",
    )


def test_the_command_that_is_told_does_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Entered where the plan lies: the plan has both meters, and the record is stored in that name."""
    plan, path = filled(tmp_path)
    keep(plan, path, shown(MAY + 2 * DAY, OUT - STEP), OUT - STEP)
    site = load_plan(plan).site
    daemon = Daemon(site, path)
    counted = {IMPORT: COUNTED * 1000}
    entry = ExchangeEntry("q02", OUT, OUT, counted, {IMPORT: 12_500_000}, "B-2", "Ada", "", {"resolution_wh": "10"})
    record = DaemonWebBackend(daemon).exchange(entry, {})
    assert (record.inconsistencies, record.faulty) == ((), ())
    assert main([str(plan) if word == "PLAN" else word for word in shlex.split(record.command)[1:]]) == 0
    assert "record 1: exchange at q02" in capsys.readouterr().out
    old, new = load_plan(plan).site.instruments_of("q02")
    assert (old.until_ms, dict(old.closing), new.serial, new.resolution_wh) == (OUT, counted, "B-2", Fraction(10))


def test_readings_that_speak_against_it_are_reported_in_both_languages(exchange_context: RequestContext) -> None:
    """A closing reading below the last one; a gap that was written is taken as it is."""
    short = {"closing": ["5 kWh", "0 kWh", "0 kvarh"], "into": "", "gap": ["0 kWh", "0 kWh", "0 kvarh"]}
    view = swapped(exchange_context, **short)
    assert [inconsistency_row.doubt for inconsistency_row in view.doubts] == ["closing-below"]
    assert view.doubts[0].text == "import: the closing reading 5.000 kWh is below the last reading 12.000 kWh"
    asked_german = change_meter.ExchangeQuery(**{**SWAP, **short})  # type: ignore[arg-type]
    german = change_meter.view(exchange_context, replace(ADA, language="de"), shot(exchange_context), asked_german)
    assert german.doubts[0].text == "Bezug: der Endstand 5,000 kWh liegt unter der letzten Ablesung 12,000 kWh"
    assert view.record is not None
