"""Whatever bytes stand in the files of a plan, it is loaded or refused with faults; nothing else is ever raised."""

import os
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from meterd.adapters.planfile.loader import Fault, PlanError, load_plan
from tests.plans import FILES, write

EXAMPLES = int(os.environ.get("METERD_FUZZ", "60"))  # more by hand: METERD_FUZZ=5000
NAMES = sorted(FILES)
SETTINGS = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
# pieces that steer the search towards the places where readers break
SIGNS = b"\" ' [ ] [[ { } {a= = . , ; # * - inf nan 1e999 {n} override true /~ 250/0 1.8.0= ct* $share/"
DATES = b"0001-01-01 9999-12-31 2024-01-01T00:00 1e99999999999999999999"
SPECIAL = (
    b"\n",
    b"\r",
    b"\x00",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\xe2\x80\xa8",
    b"9" * 5000,
    b"sep=;\n",
    b"count = 9999999\n",
)
PIECES = st.one_of(
    st.sampled_from(SIGNS.split()).flatmap(lambda sign: st.sampled_from((sign, sign * 2, sign * 3000))),
    st.sampled_from((*DATES.split(), *SPECIAL, b"[[repeat]]\n", b"\\", b'"""', b"'''")),
)
TEXT = st.lists(st.one_of(PIECES, st.binary(max_size=8)), max_size=12).map(b"".join)


def refuse_or_load(files: dict[str, str | bytes | None]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), files)
        faults: tuple[Fault, ...] = ()
        try:
            load_plan(path)
        except PlanError as error:
            faults = error.faults or (Fault("", None, None, "", ""),)
        assert all(fault.what and fault.right and "\n" not in str(fault) for fault in faults)


@SETTINGS
@given(name=st.sampled_from(NAMES), data=TEXT)
@example(name="site.toml", data=b"[" * 3000)
@example(name="site.toml", data=b"site = " + b"9" * 5000)
@example(name="site.toml", data=b"limits = { queue_limit = 1e99999999999999999999 }")
@example(name="points.csv", data=b"point,board\n\x00,\x00\n")
@example(name="points.csv", data=b'"\n')
@example(name="points.csv", data=b"")
def test_any_bytes_as_a_whole_file(name: str, data: bytes) -> None:
    refuse_or_load({**FILES, name: data})


@SETTINGS
@given(name=st.sampled_from(NAMES), data=TEXT, at=st.floats(0, 1), cut=st.integers(0, 20))
def test_any_bytes_inside_a_sound_file(name: str, data: bytes, at: float, cut: int) -> None:
    sound = FILES[name].encode()
    place = int(at * len(sound))
    refuse_or_load({**FILES, name: sound[:place] + data + sound[place + cut :]})


VALUES = st.recursive(
    st.one_of(
        st.sampled_from(
            ["true", "inf", "nan", "-1", "1e15", "0.1", "2024-01-01", "07:30:00", '""', '"*"', '"ct"', "10000"]
        ),
        st.integers(-(10**20), 10**20).map(str),
        st.sampled_from(['"room-{n}"', '"q01"', '"north"', '"1.8.0"', "2024-01-01T00:00:00", "2024-01-01T00:00:00Z"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=2).map(lambda items: f"[{', '.join(items)}]"),
        inner.map(lambda item: f'{{ "1.8.0" = {item} }}'),
    ),
    max_leaves=3,
)
COLUMNS = (
    "name zone prefix interval_s point board role below state aliases from until ct_ratio pulse_wh opening_wh register "
    "source address field fields unit scale pattern count numbers width override consumer max_w protocol host rating_a "
    "path queue_limit title"
)
KEYS = st.sampled_from(COLUMNS.split())
TABLES = st.sampled_from(["[site]", "[broker]", "[limits]", "[store]", "[[board]]", "[[source]]", "[[point]]"])
ROWS = st.sampled_from(["[[instrument]]", "[[input]]", "[[consumer]]", "[[repeat]]", "[repeat.override.02]", "[point]"])


@SETTINGS
@given(st.lists(st.tuples(st.one_of(TABLES, ROWS), st.dictionaries(KEYS, VALUES, max_size=5)), max_size=6))
def test_any_values_under_any_keys(tables: list[tuple[str, dict[str, str]]]) -> None:
    text = "\n".join(
        "\n".join([header, *(f"{key} = {value}" for key, value in keys.items())]) for header, keys in tables
    )
    refuse_or_load({**FILES, "site.toml": text})
    refuse_or_load({**FILES, "site.toml": FILES["site.toml"] + text})
    refuse_or_load({**FILES, "patterns/room.toml": text})


CELLS = st.one_of(
    st.sampled_from(
        ["*", "-1", "0", "1e15", "1e-13", "inf", "nan", "12,5", "250/5", "5/5/5", "0/0", "1/1e-9", "2024-02-30"]
    ),
    st.sampled_from(
        ["2024-01-01T25:00Z", "2199-12-31T23:59-23:59", "1970-01-01", "1.8.0=", "=", "=5", "1-0:1.8.0*255=7"]
    ),
    st.sampled_from(
        ["ct*", "ct*ct", "ct*0", "/~2", "~", "{point}", "{n}", "{", "$share/x", "a/+/b", "energy/mill", "١٢"]
    ),
    st.text(max_size=6),
)
SHEETS = [name for name in NAMES if name.endswith(".csv")]


@SETTINGS
@given(
    name=st.sampled_from(SHEETS), cells=st.lists(st.tuples(st.integers(0, 99), st.integers(0, 99), CELLS), max_size=4)
)
def test_any_cells_in_a_sound_worksheet(name: str, cells: list[tuple[int, int, str]]) -> None:
    rows = [line.split(",") for line in FILES[name].splitlines()]
    for row, column, cell in cells:
        rows[row % len(rows)][column % len(rows[0])] = cell
    refuse_or_load({**FILES, name: "\n".join(map(",".join, rows)).encode("utf-8", "surrogatepass")})
