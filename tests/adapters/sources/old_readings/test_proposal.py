"""What a file shows is recognised; what it leaves open is a question with both readings."""

import re

import pytest

from meterd.adapters.sources.old_readings.container import Content
from meterd.adapters.sources.old_readings.grid import grid_of
from meterd.adapters.sources.old_readings.mapping import FileMapping
from meterd.adapters.sources.old_readings.proposal import Proposal, propose
from meterd.core.errors import SourceError
from meterd.core.model.plan import Board, Input, Point, Role, Site

SITE = Site(
    "boat-yard", "Europe/Berlin", boards=(Board("quay"),),
    points=(Point("crane", "quay", Role.FEEDER, title="Kran"), Point("slip", "quay", Role.FEEDER, title="Slip")),
    inputs=(Input("crane", "1.8.0", "old", "c"), Input("slip", "1.8.0", "old", "s")),
)  # fmt: skip


def proposed(text: str, **reported: str) -> Proposal:
    return propose(grid_of(Content("a.csv", ".csv", text.encode())), SITE, FileMapping(**reported))  # type: ignore[arg-type]


def test_header_lines_and_remarks_above_them() -> None:
    """Two lines of names, one of units below; a remark of the exporter is none."""
    result = proposed(
        "Export vom;31.12.2025;;;\n;;Kran;Slip;Luft\n;;kWh;Wh;°C\n01.01.2025;00:15;1,50;7;3,1\n01.01.2025;00:30;1,75;8;3,2\n"
    )
    mapping = result.mapping
    assert (mapping.header, mapping.time) == ((2, 3), ("column 1", "column 2"))
    assert [(rule.name, rule.point, rule.unit) for rule in mapping.columns] == [
        ("Kran kWh", "crane", "kWh"), ("Slip Wh", "slip", "Wh"),
    ]  # fmt: skip
    assert [(column.name, column.why) for column in result.unread] == [
        ("Luft °C", "no name of the plan is in its title")
    ]


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        ("t;Kran\n01/02/2025;1,5\n02/02/2025;2,5", "date_order", "01/02/2025 is 2025-02-01 .* or 2025-01-02"),
        ("t;Kran\n01.02.2025;1,234\n02.02.2025;2,500", "decimal", r"1,234 is 1234 \(decimal = \"\.\"\) or 1\.234"),
        (
            "t;Kran\n01.02.2025;5,5\n02.02.2025;2,5\n03.02.2025;4,5\n04.02.2025;1,5",
            "label",
            "01.02.2025 is where the interval begins",
        ),
    ],
)
def test_two_readings_are_a_question(text: str, key: str, message: str) -> None:
    """And no question any more once it is answered."""
    result = proposed(text)
    assert [question.key for question in result.questions] == [key]
    assert re.search(message, result.questions[0].text)
    answer = {"date_order": "day-month-year", "decimal": ",", "label": "end"}[key]
    assert proposed(text, **{key: answer}).questions == []


def test_registers_rise_and_energies_of_intervals_do_not() -> None:
    """A reset or two make no intervals; a column without changes says nothing."""
    rising = "t;Kran;Slip\n" + "\n".join(f"01.01.2025 {h:02}:00;{100 + h},5;7" for h in range(24))
    falling = "t;Kran\n" + "\n".join(f"01.01.2025 {23 - h:02}:00;{100 - h},5" for h in range(24))
    changing = "t;Kran\n" + "\n".join(f"01.01.2025 {h:02}:00;{h % 3},5" for h in range(24))
    assert [proposed(text).mapping.values for text in (rising, falling, changing)] == [
        "registers",
        "registers",
        "intervals",
    ]


def test_a_long_file_is_recognised_by_the_meters_in_its_rows() -> None:
    result = proposed(
        "meter,when,value\nKran,2025-01-01 00:00,1.5\nSlip,2025-01-01 00:00,7\nKran,2025-01-01 01:00,1.75\n"
    )
    assert (result.mapping.meter, result.mapping.value, result.mapping.time) == ("meter", "value", ("when",))
    assert [(rule.name, rule.point) for rule in result.mapping.columns] == [("Kran", "crane"), ("Slip", "slip")]


def test_what_a_file_says_in_passing_is_used() -> None:
    """The unit behind each number, the word over the times, the sign of a register that is shown negative, no empty column."""
    behind = proposed("t;Kran;\n01.02.2025;1,5 MWh;\n02.02.2025;2,5 MWh;\n")
    assert ([rule.unit for rule in behind.mapping.columns], behind.unread) == (["MWh"], [])
    rows = "".join(f"01.01.2025 {h:02}:00;01.01.2025 {h + 1:02}:00;{h % 3},5\n" for h in range(20))
    assert proposed(f"von;bis;Kran kWh\n{rows}").mapping.label == "start"
    assert proposed(f"Ende;Beginn;Kran kWh\n{rows}").mapping.label == "end"
    negative = proposed("t;Kran kWh\n01.02.2025;-1,5\n02.02.2025;-2,5\n")
    assert [(rule.sign, negative.mapping.values) for rule in negative.mapping.columns] == [(-1, "registers")]


def test_a_column_that_is_read_already_is_left_out() -> None:
    result = proposed("t;Kran kWh;Kran alt kWh;Kran kW\n01.02.2025;1,5;1,5;3\n02.02.2025;2,5;2,5;4\n")
    assert [column.why for column in result.unread] == [
        "crane 1.8.0 is already read from 'Kran kWh'", "power of crane: only energies are imported",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a;b\nx;1\ny;2\n", "no row of the first 60 has a date; the first one is 'a | b'"),
        ("t;Kran\n01.02.2025;1,5\n02.02.2025;2,5\n", "no column 'Zeit' of times; it has 't', 'Kran'"),
    ],
)
def test_a_file_without_times_is_refused_in_words(text: str, message: str) -> None:
    reported = {} if text.startswith("a") else {"time": ("Zeit",)}
    with pytest.raises(SourceError) as caught:
        proposed(text, **reported)  # type: ignore[arg-type]
    assert message in str(caught.value)
