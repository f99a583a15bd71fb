"""`meterd exchange`: the plan gets the new meter and nothing else changes; energies go on across it."""

import argparse
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.exchange import complete, local, readings
from meterd.app.operations.meter_exchange import written
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, Reading
from tests.app.commands import run
from tests.app.small_plant import DAY, FILES, HOUR, MAY, MINUTE, QUARTER, STEP, filled, keep, plan
from tests.app.small_plant import readings as shown
from tests.plans import FILES as MILL
from tests.plans import write

ZONE = ZoneInfo("Europe/Vienna")
Q02 = ("q02", IMPORT)
OUT = MAY + 2 * DAY + 9 * HOUR  # 2026-05-06T09:00 local
COUNTED = 50_000 + 500 * ((OUT - MAY) // STEP)  # Wh that the old meter shows then
WISH = ("--point", "q02", "--at", "2026-05-06T09:00", "--serial", "B-2", "--person", "Ada")
SHOWN = ("--closing", f"{COUNTED / 1000}kWh", "--opening", "12.5kWh")


def after_exchange(from_ms: int, until_ms: int, fitted_ms: int = OUT) -> list[Reading]:
    """What is read from the exchange on: the new meter of q02 began at 12.5 kWh, the others go on."""
    others = [r for r in shown(from_ms, until_ms) if r.point != "q02"]
    first = fitted_ms + -(fitted_ms - MAY) % STEP
    mine = [
        Reading(*Q02, t, 12_500_000 + 500_000 * (t - fitted_ms) // STEP, t)
        for t in range(max(first, from_ms), until_ms + 1, STEP)
    ]
    return [*others, *mine]


def energies(path: Path, until_ms: int) -> list[int | None]:
    """Interval energies of q02 since the beginning."""
    store = SqliteStore.reader(path)
    columns = store.columns([Q02], Period.INTERVAL, np.arange(MAY, until_ms, QUARTER, dtype=np.int64))
    store.close()
    both = zip(columns.energy[:, 0].tolist(), columns.present[:, 0].tolist(), strict=True)
    return [energy if there else None for energy, there in both]


def test_only_the_row_and_the_new_one_change(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Comments, order and quotes stay; the new meter has what is not said from the old one; the old file is kept aside."""
    made, path = filled(tmp_path)
    keep(made, path, shown(MAY + 2 * DAY, OUT - STEP), OUT - STEP)
    code, out, err = run(capsys, "exchange", str(made), *WISH, *SHOWN, "--note", "verified until 2034")
    assert (code, err) == (0, "")
    sheet = (made / "instruments.csv").read_text()
    old = "q02,2025-01-01,,A-18,B,1e9,1,,,\n"
    new = f"q02,2025-01-01,2026-05-06T09:00+02:00,A-18,B,1e9,1,,{COUNTED},\n"
    new += "q02,2026-05-06T09:00+02:00,,B-2,B,1e9,1,12500,,verified until 2034\n"
    assert sheet == FILES["instruments.csv"].replace(old, new)
    assert [p.read_text() for p in (made / ".before").rglob("instruments.csv")] == [FILES["instruments.csv"]]
    assert "B-2 from 2026-05-06T09:00+02:00 on" in out
    store = SqliteStore.reader(path)
    (record,) = store.records.all("q02")
    store.close()
    assert (record.kind, record.at_ms, record.person) == ("exchange", OUT, "Ada")
    assert (record.details["old serial"], record.details["new serial"], record.details["opening_wh"]) == (
        "A-18",
        "B-2",
        "12500",
    )


def test_energies_go_on_across_an_exchange_entered_in_time(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Every quarter hour is what the load took; the day, month and year are their sums; the name is the same."""
    made, path = filled(tmp_path)
    keep(made, path, shown(MAY + 2 * DAY, OUT - STEP), OUT - STEP)
    assert run(capsys, "exchange", str(made), *WISH, *SHOWN)[0] == 0
    end = MAY + 3 * DAY
    keep(made, path, after_exchange(OUT, end), end + MINUTE)
    assert energies(path, end) == [1_500_000] * (3 * 96)
    store = SqliteStore.reader(path)
    day = store.columns([Q02], Period.DAY, np.array([MAY + 2 * DAY]))
    assert (day.energy[0, 0], day.flags[0, 0]) == (288 * 500_000, 0)
    store.close()


def test_an_exchange_entered_days_later_makes_closed_figures_again(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """What was unknown because the register began anew becomes known; the reason says that the plan changed."""
    made, path = filled(tmp_path)
    end = MAY + 3 * DAY
    keep(made, path, [*shown(MAY + 2 * DAY, OUT - STEP), *after_exchange(OUT, end)], end + MINUTE)
    assert energies(path, end) != [1_500_000] * (3 * 96)
    assert run(capsys, "exchange", str(made), *WISH, *SHOWN)[0] == 0
    assert energies(path, end) == [1_500_000] * (3 * 96)
    store = SqliteStore.reader(path)
    versions = store.versions(Q02, Period.INTERVAL, OUT - QUARTER)
    store.close()
    assert [v.reason for v in versions][-1] == "plan changed"


def test_a_gap_without_a_meter_is_filled_with_what_usually_flows(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Forty minutes are estimated from the days before; the energy is in the plan, where a person can change it."""
    made, path = filled(tmp_path)
    keep(made, path, shown(MAY + 2 * DAY, OUT - STEP), OUT - STEP)
    code, _, err = run(capsys, "exchange", str(made), *WISH, *SHOWN, "--fitted", "2026-05-06T09:40")
    assert (code, "for 40 minutes" in err) == (2, True)
    fitted = ("--fitted", "2026-05-06T09:40", "--gap")
    assert run(capsys, "exchange", str(made), *WISH, *SHOWN, *fitted, "estimate", "--show")[0] == 0
    assert (made / "instruments.csv").read_text() == FILES["instruments.csv"]
    assert run(capsys, "exchange", str(made), *WISH, *SHOWN, *fitted, "estimate")[0] == 0
    assert dict(load_plan(made).site.instruments_of("q02")[1].gap) == {IMPORT: 8 * 500_000}
    end = MAY + 3 * DAY
    keep(made, path, after_exchange(OUT, end, OUT + 40 * MINUTE), end + MINUTE)
    assert energies(path, end) == [1_500_000] * (3 * 96)


def test_readings_that_speak_against_it_are_reported_and_stop_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A closing reading below the last one, and a first reading below the opening; with --anyway it is stored."""
    made, path = filled(tmp_path)
    end = MAY + 3 * DAY
    keep(made, path, [*shown(MAY + 2 * DAY, OUT - STEP), *after_exchange(OUT, end)], end + MINUTE)
    wrong = ("--closing", "100kWh", "--opening", "13kWh")
    code, _, err = run(capsys, "exchange", str(made), *WISH, *wrong)
    assert code == 2
    assert "the closing reading 100000 is below the last reading" in err
    assert "the first reading of the new meter 12500 is below its opening 13000" in err
    assert (made / "instruments.csv").read_text() == FILES["instruments.csv"]
    assert run(capsys, "exchange", str(made), *WISH, *wrong, "--anyway")[0] == 0
    assert "13000" in (made / "instruments.csv").read_text()


def test_a_plan_that_would_have_faults_is_left_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """All faults are reported, and no byte is changed."""
    made = plan(tmp_path)
    code, _, err = run(capsys, "exchange", str(made), *WISH, *SHOWN, "--meter-class", "Z", "--ct-ratio", "5/200")
    assert code == 2
    assert "meter_class" in err
    assert "is not the ratio of a current transformer" in err
    assert (made / "instruments.csv").read_text() == FILES["instruments.csv"]
    assert not (made / ".before").exists()


def test_the_meter_of_a_copy_gets_rows_of_its_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A room drawn by a pattern: the drawing stays for all others; columns that are not there are added."""
    folder = write(
        tmp_path / "plan", {**MILL, "instruments.csv": MILL["instruments.csv"].replace("\n", "\r\n").replace(",", ";")}
    )
    before = load_plan(folder).site
    texts = ("--point", "room-02", "--at", "2026-05-06T09:00", "--serial", "N-1", "--person", "Ada")
    code, _, err = run(capsys, "exchange", str(folder), *texts, "--closing", "5kWh", "--opening", "0")
    assert (code, err) == (0, "")
    after = load_plan(folder).site
    old, new = after.instruments_of("room-02")
    assert (old.closing, old.meter_class, new.opening, new.serial, new.meter_class) == (
        (("1.8.0", 5_000_000),), "B", (("1.8.0", 0),), "N-1", "B",
    )  # fmt: skip
    others = [instrument for instrument in before.instruments if instrument.point != "room-02"]
    assert [instrument for instrument in after.instruments if instrument.point != "room-02"] == others
    text_ = (folder / "instruments.csv").read_bytes()
    assert text_.count(b"\r\n") == text_.count(b"\n")
    assert text_.startswith(MILL["instruments.csv"].split("\n")[0].replace(",", ";").encode())


def test_a_meter_in_a_toml_file_is_told_what_to_write(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A plan in one file is a person's own text: the command says the lines instead of changing it."""
    config = Path(__file__).parents[3] / "config" / "small.toml"
    copy = tmp_path / "small.toml"
    copy.write_bytes(config.read_bytes())
    texts = ("--point", "grid", "--at", "2026-05-06T09:00", "--serial", "N-1", "--person", "Ada")
    both = ("--closing", "import=5kWh export=0", "--opening", "import=0 export=0")
    code, _, err = run(capsys, "exchange", str(copy), *texts, *both)
    assert code == 2
    assert 'until = "2026-05-06T09:00+02:00", closing_wh = "1.8.0=5000 2.8.0=0"' in err
    assert copy.read_bytes() == config.read_bytes()


def asked(answers: list[str]) -> tuple[list[str], Callable[[str], str]]:
    """Somebody at the terminal with these answers, and what was asked."""
    questions: list[str] = []

    def ask(question: str) -> str:
        questions.append(question)
        return answers[len(questions) - 1]

    return questions, ask


def test_what_is_not_said_is_asked(tmp_path: Path) -> None:
    """In the order in which one stands before the board."""
    site = load_plan(plan(tmp_path)).site
    options = dict.fromkeys(
        ("point", "at", "fitted", "closing", "opening", "serial", "person", "meter_class", "ct_class", "ct_set", "ct_ratio",
         "pulse_wh", "register_max_wh", "resolution_wh")
    )  # fmt: skip
    questions, ask = asked(["q02", "2026-05-06T09:00", "123.4kWh", "0", " B-2 ", "Ada"])
    entry = complete(argparse.Namespace(**options, note=""), site, ask)
    assert (entry.point, entry.out_ms, entry.closing, entry.opening) == ("q02", OUT, {IMPORT: 123_400_000}, {IMPORT: 0})
    assert (entry.serial, entry.person) == ("B-2", "Ada")
    assert "meter A-18" in questions[1]
    _, silent = asked(["q02", "2026-05-06T09:00", "123.4kWh", "0", " ", "Ada"])
    with pytest.raises(ConfigError, match="of no use without"):
        complete(argparse.Namespace(**options, note=""), site, silent)
    _, early = asked(["q02", "2024-05-06T09:00"])
    with pytest.raises(ConfigError, match="do not follow each other"):
        complete(argparse.Namespace(**options, note=""), site, early)


def test_without_a_terminal_nothing_is_asked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A script learns what it did not say."""
    code, _, err = run(capsys, "exchange", str(plan(tmp_path)), "--point", "q02")
    assert (code, "is missing, and there is no terminal to ask at" in err) == (2, True)


@pytest.mark.parametrize(
    "text", ["", "12,500", "-1", "1=2", "import=1 import=2", "export=1", "NaN", "1e999999999", "0.0001"]
)
def test_a_reading_is_read_strictly(text: str) -> None:
    """What is no reading of a register of the point is refused."""
    with pytest.raises(ConfigError):
        readings(text, [IMPORT], "--closing")


def test_readings_are_written_as_the_plan_reads_them() -> None:
    """There and back, exactly."""
    results = readings("import=123.4567kWh export=0.5", [IMPORT, "2.8.0"], "--closing")
    assert results == {IMPORT: 123_456_700, "2.8.0": 500}
    assert written(results) == "1.8.0=123456.7 2.8.0=0.5"
    assert written({IMPORT: 10_000_000}) == "10000"


def test_a_local_time_is_one_moment() -> None:
    """An hour that is there twice, or not at all, needs its offset."""
    assert local("2026-05-06T09:00", ZONE) == local("2026-05-06T07:00Z", ZONE) == OUT
    for text in ("2026-10-25T02:30", "2026-03-29T02:30", "2026-05-06", "morning"):
        with pytest.raises(ConfigError):
            local(text, ZONE)
