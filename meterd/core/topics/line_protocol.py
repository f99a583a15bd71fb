"""Lines of the line protocol for a time-series database: pure formatting, one fixed layout.

Every number is written as a float, so that a field never changes its type; a tag is never empty and never comes or goes,
so that a series stays one series over the years. What is missing is left out of its line, and `quality` or `verdict` says
so: a field, once written, cannot be taken back, only marked.

Source: line protocol `measurement,tag=value field=number time`; comma, space and equals sign of tags are escaped with a
backslash. Times are whole milliseconds since 1970 UTC.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from meterd.core.balance.board_balance import Verdict
from meterd.core.model.reading import REGISTERS
from meterd.core.registers.register_line import Flag


@dataclass(frozen=True, slots=True)
class Layout:
    """Tags and fields of one measurement, in the order in which they are written."""

    tags: tuple[str, ...]
    fields: tuple[str, ...]


READING, ENERGY, BALANCE, PV, CANARY = "reading", "energy", "balance", "pv", "canary"
LAYOUT: dict[str, Layout] = {
    READING: Layout(("site", "point", "register"), ("value",)),
    ENERGY: Layout(("site", "point", "register", "period"), ("energy_wh", "quality", "version")),
    BALANCE: Layout(
        ("site", "board", "period"),
        ("feed_wh", "outgoing_wh", "residual_wh", "band_wh", "verdict", "estimated", "covered", "of", "version"),
    ),
    PV: Layout(
        ("site", "period"),
        ("production_wh", "grid_import_wh", "grid_export_wh", "self_use_wh", "consumption_wh", "estimated", "version"),
    ),
    CANARY: Layout(("site",), ("number",)),  # written and read back, so that an answer is not trusted blindly
}
GOOD, ESTIMATED, AT_LEAST, MISSING = range(4)  # values of the field `quality`
VERDICTS = {verdict.word: int(verdict) for verdict in Verdict}  # values of the field `verdict`
_ESCAPES = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\=", "\n": r"\ ", "\r": r"\ "})


def head(measurement: str, tags: Sequence[str]) -> str:
    """What comes before the fields: measurement and tags. ValueError for an empty tag.

    >>> head("reading", ("mill", "q01", "import"))
    'reading,site=mill,point=q01,register=import'
    """
    names = LAYOUT[measurement].tags
    if not all(tags):
        raise ValueError(f"an empty tag would begin another series: {measurement} {tuple(tags)}")
    # a backslash at the end would escape the separator behind it
    written = (tag.translate(_ESCAPES).rstrip("\\") for tag in tags)
    return ",".join([measurement, *(f"{name}={tag}" for name, tag in zip(names, written, strict=True))])


def number(value: float) -> str:
    """A number as a float; ValueError if it is not finite.

    >>> number(1), number(-0.5), number(2**53)
    ('1.0', '-0.5', '9007199254740992.0')
    """
    value = float(value)
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be written")
    return repr(value)


def line(measurement: str, tags: Sequence[str], fields: Sequence[float | None], at_ms: int) -> str:
    """One line; fields without value are left out. ValueError if nothing is left, or for what cannot be written.

    >>> line("energy", ("mill", "q01", "import", "hour"), (250, 0, 1), 1774746000000)
    'energy,site=mill,point=q01,register=import,period=hour energy_wh=250.0,quality=0.0,version=1.0 1774746000000'
    """
    names = LAYOUT[measurement].fields
    pairs = zip(names, fields, strict=True)
    written = ",".join(f"{name}={number(value)}" for name, value in pairs if value is not None)
    if not written:
        raise ValueError(f"a line of {measurement} without any value")
    return f"{head(measurement, tags)} {written} {at_ms}"


def register_name(register: str) -> str:
    """The trade name of a register; its code if it has none."""
    kind = REGISTERS.get(register)
    return register if kind is None else kind.name


def shown(register: str, value: float) -> float:
    """A stored value in the base unit of its register as the instrument shows it: registers that count are stored in
    thousandths. A register that counts pulses stays a number of pulses.

    >>> shown("1.8.0", 1_234_567), shown("16.7.0", -20.5)
    (1234.567, -20.5)
    """
    kind = REGISTERS.get(register)
    return value / 1000 if kind is not None and kind.cumulative else float(value)


def quality(energy: int | None, flags: int) -> int:
    """The value of the field `quality`.

    >>> quality(5, 0), quality(5, 1), quality(5, 4), quality(None, 0)
    (0, 1, 2, 3)
    """
    if energy is None:
        return MISSING
    if flags & Flag.BOUND:
        return AT_LEAST
    return ESTIMATED if flags else GOOD


def wh(energy: int | None) -> float | None:
    """Watt-hours of whole milliwatt-hours."""
    return None if energy is None else energy / 1000
