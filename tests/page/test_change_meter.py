"""Sheet "change-meter": the record of an exchange is checked and told as command and rows; slips at their fields."""

import csv
import shlex
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException

from meterd.app.cli import main
from meterd.app.config import load_plan
from meterd.app.daemon import Daemon
from meterd.app.desk import DaemonDesk
from meterd.exchange import Said
from meterd.page import UserRole, Viewer, change_meter
from meterd.page.asking import Office
from meterd.reading import IMPORT
from tests.app.test_exchange_command import COUNTED, OUT
from tests.app.workshop import DAY, MAY, STEP, filled, keep
from tests.app.workshop import readings as shown
from tests.page.offices import office, shot, steady

ADA = Viewer("ada", UserRole.CHANGE, "en")
SWAP = {"point": "q01", "out": "2026-05-04 15:00:30", "closing": ["12.03 kWh", "0 kWh", "0 kvarh"], "serial": "B-3"}
SWAP |= {"opening": ["12.05 kWh", "0 Wh", "0 varh"], "check": "yes"}


@pytest.fixture(scope="module")
def one_office(tmp_path_factory: pytest.TempPathFactory) -> Office:
    """Three hours of q01 at 4 kW, only looked at."""
    path = tmp_path_factory.mktemp("change") / "s.sqlite"
    return office(path, [*steady("t1", 4000.0), *steady("q01", 4000.0)])


def swapped(found: Office, **fields: object) -> change_meter.ChangeMeterView:
    """The record of an exchange as it was noted."""
    wish = change_meter.Asked(**{**SWAP, **fields})  # type: ignore[arg-type]
    return change_meter.look(found, ADA, shot(found), wish)


def test_a_point_is_chosen_first_and_shows_what_is_fitted(one_office: Office) -> None:
    """With the newest readings as the meter shows them, and its data to begin with."""
    nothing = change_meter.look(one_office, ADA, shot(one_office), change_meter.Asked())
    assert (nothing.point, [one.point for one in nothing.points]) == ("", ["t1", "q01", "q02", "room-1", "room-2"])
    view = change_meter.look(one_office, ADA, shot(one_office), change_meter.Asked(point="old-ovens"))
    assert view.fitted is not None
    assert (view.point, view.fitted.serial, view.written["meter_class"]) == ("q01", "A-2", "B")
    assert [(one.register_, one.last_milli) for one in view.registers] == [
        ("import", 12_066_667), ("export", 0), ("reactive-import", None),
    ]  # fmt: skip
    for point, words in (("q77", "no point q77"), ("t1", "no instrument at t1")):
        with pytest.raises(HTTPException, match=words):
            change_meter.look(one_office, ADA, shot(one_office), change_meter.Asked(point=point))


def test_a_sound_exchange_is_told_as_command_and_rows(one_office: Office) -> None:
    """The command holds everything quoted, in base units; the page has written nothing."""
    view = swapped(one_office, serial="B 3", note="it's verified until 2034", meter_class="A")
    assert (view.faults, view.doubts) == ([], [])
    assert view.record is not None
    words = shlex.split(view.record.command)
    assert words[:3] == ["meterd", "exchange", "PLAN"]
    assert words[3:] == [
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
    """Typed in the place where the plan is kept: the plan has both meters, and the record is kept in that name."""
    plan, path = filled(tmp_path)
    keep(plan, path, shown(MAY + 2 * DAY, OUT - STEP), OUT - STEP)
    site = load_plan(plan).site
    daemon = Daemon(site, path)
    counted = {IMPORT: COUNTED * 1000}
    said = Said("q02", OUT, OUT, counted, {IMPORT: 12_500_000}, "B-2", "Ada", "", {"resolution_wh": "10"})
    record = DaemonDesk(daemon).exchange(said, {})
    assert (record.doubts, record.faulty) == ((), ())
    assert main([str(plan) if word == "PLAN" else word for word in shlex.split(record.command)[1:]]) == 0
    assert "record 1: exchange at q02" in capsys.readouterr().out
    old, new = load_plan(plan).site.instruments_of("q02")
    assert (old.until_ms, dict(old.closing), new.serial, new.resolution_wh) == (OUT, counted, "B-2", Fraction(10))


@pytest.mark.parametrize(
    ("fields", "field", "fault"),
    [
        ({"out": ""}, "out", "missing"),
        ({"out": "2026-05-04"}, "out", "no_time"),
        ({"out": "2027-05-04 09:30"}, "out", "future"),
        ({"out": "2026-01-04 09:30"}, "out", "before_fitted"),
        ({"into": "2026-05-04 14:00"}, "into", "before_out"),
        ({"closing": ["12.05", "0 kWh", "0 kvarh"]}, "closing-0", "unit"),
        ({"closing": ["12.05 kvarh", "0 kWh", "0 kvarh"]}, "closing-0", "unit"),
        ({"closing": ["12,05 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "reading"),
        ({"closing": ["NaN kWh", "0 kWh", "0 kvarh"]}, "closing-0", "reading"),
        ({"closing": ["-1 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "reading"),
        ({"closing": ["1.0000001 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "too_fine"),
        ({"opening": ["1 kWh", "0 kWh"]}, "opening-2", "missing"),
        ({"serial": ""}, "serial", "missing"),
        ({"meter_class": "D"}, "meter_class", "of_meter_class"),
        ({"ct_ratio": "250"}, "ct_ratio", "of_ct_ratio"),
        ({"out": "2026-05-04 14:30", "into": "2026-05-04 14:45"}, "gap-0", "no_estimate"),
    ],
)
def test_slips_of_an_exchange_are_told_at_their_field(
    fields: dict[str, object], field: str, fault: str, one_office: Office
) -> None:
    """Nothing is told to enter before all of it can be."""
    view = swapped(one_office, **fields)
    assert [(one.field, one.fault) for one in view.faults] == [(field, fault)]
    assert (view.record, view.doubts) == (None, [])
    assert view.written["serial"] == str(fields.get("serial", "B-3"))


def test_readings_that_speak_against_it_are_told_in_both_languages(one_office: Office) -> None:
    """A closing reading below the last one; a gap that was written is taken as it is."""
    short = {"closing": ["5 kWh", "0 kWh", "0 kvarh"], "into": "", "gap": ["0 kWh", "0 kWh", "0 kvarh"]}
    view = swapped(one_office, **short)
    assert [one.doubt for one in view.doubts] == ["closing-below"]
    assert view.doubts[0].text == "import: the closing reading 5.000 kWh is below the last reading 12.000 kWh"
    asked_german = change_meter.Asked(**{**SWAP, **short})  # type: ignore[arg-type]
    german = change_meter.look(one_office, replace(ADA, language="de"), shot(one_office), asked_german)
    assert german.doubts[0].text == "Bezug: der Endstand 5,000 kWh liegt unter der letzten Ablesung 12,000 kWh"
    assert view.record is not None
