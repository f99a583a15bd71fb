"""A mapping file says every key once; what is wrong in it is named with its line and what would be right."""

import pytest

from meterd.adapters.sources.old_readings.mapping import (
    ColumnRule,
    FileMapping,
    Remark,
    mapping_text,
    read_mapping,
    with_settings,
)
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Board, Point, Role, Site

SITE = Site(
    "boat-yard", "Europe/Berlin", boards=(Board("quay"),),
    points=(Point("crane", "quay", Role.FEEDER, aliases=("old-crane",)), Point("slip", "quay", Role.FEEDER)),
)  # fmt: skip


def test_what_is_written_is_read_again() -> None:
    """Also a tab, quotes and a backslash in a name."""
    mapping = FileMapping(
        encoding="windows-1252", separator="\t", header=(2, 3), time=("Datum", "Zeit"), date_order="day-month-year",
        zone="Etc/GMT-1", decimal=",", thousands=".", values="intervals", label="end", interval_s=900,
        columns=(ColumnRule('Kran "neu" \\ [kWh]', "crane", "1.8.0", "kWh"), ColumnRule("Slip", "slip", "2.8.0", sign=-1)),
    )  # fmt: skip
    text = mapping_text(mapping, [Remark("zone", "a clock without summer time"), Remark("", "not read: x")], "a title")
    assert "# a clock without summer time\nzone = " in text
    assert read_mapping(text, "columns.toml", SITE) == mapping


def test_a_former_name_is_the_point() -> None:
    text = '[[column]]\nname = "Kran"\npoint = "old-crane"\n'
    assert read_mapping(text, "m.toml", SITE).columns == (ColumnRule("Kran", "crane", "1.8.0"),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('decimel = ","', "m.toml:1: unknown key 'decimel'; did you mean decimal"),
        ('\ndate_order = "dmy"', "m.toml:2: date_order 'dmy' is unknown; known: 'day-month-year', "),
        ("zone = Europe/Berlin", "m.toml: invalid value .*line 1"),
        ('zone = "Mars"', "zone 'Mars' is unknown; write an IANA name such as Europe/Vienna"),
        ("interval_s = 15.5", "interval_s must be a whole number of seconds"),
        ("decimal = 1", "decimal must be a text in quotes"),
        ('header = ["3"]', "header is a list of row numbers"),
        ('time = ["a", "b", "c"]', "more than two columns"),
        ('decimal = ","\nthousands = ","', "the same sign"),
        ('separator = ";;"', "no single character"),
        ('encoding = "utf-9"', "encoding 'utf-9' is unknown"),
        ('meter = "Nr"', "needs value"),
        ("column = 1", r"write \[\[column\]\] in double brackets"),
        (
            '[[column]]\nname = "a"\npoint = "crame"',
            "m.toml:3: column 'a': the plan has no point 'crame'; did you mean crane",
        ),
        ('[[column]]\nname = "a"', "column 'a': name and point are needed"),
        ('[[column]]\nname = "a"\npoint = "slip"\nunit = "kW"', "unit 'kW' does not fit a register in Wh"),
        ('[[column]]\nname = "a"\npoint = "slip"\nregister = "9.9.9"', "register '9.9.9' is unknown"),
        ('[[column]]\nname = "a"\npoint = "slip"\nsign = 2', "sign is 1, or -1"),
        ('[[column]]\nname = "a"\npoint = "slip"\nregster = "1.8.0"', "did you mean register"),
        (
            '[[column]]\nname = "a"\npoint = "slip"\n[[column]]\nname = "b"\npoint = "slip"',
            "columns 'a' and 'b' are both slip 1.8.0; leave one out",
        ),
    ],
)
def test_every_fault_is_named(text: str, message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        read_mapping(text, "m.toml", SITE)


def test_settings_of_the_command_line_stand_above_the_file() -> None:
    reported = with_settings(FileMapping(decimal=".", label="end"), ["decimal=,", "interval_s=900", "time=Datum"])
    assert (reported.decimal, reported.label, reported.interval_s, reported.time) == (",", "end", 900, ("Datum",))
    with pytest.raises(ConfigError, match="'decimal' is no KEY=VALUE"):
        with_settings(FileMapping(), ["decimal"])
    with pytest.raises(ConfigError, match="label 'middle' is unknown; known: 'start', 'end'"):
        with_settings(FileMapping(), ["label=middle"])
