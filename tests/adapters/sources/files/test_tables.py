"""Damaged tables are named with their remedy, and no damaged page becomes another number."""

import gzip
import random
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from meterd.adapters.sources.files.tables import MOST_OPEN, OpenFiles, chunks, open_table
from meterd.app.cli.main import main
from tests.faults.mill import MAY, write_plan


def parquet(path: Path, **options: bool) -> bytes:
    """A long table of 300 readings, written without compression, so that a flipped bit of a page is no fault of packing."""
    stamps = [datetime.fromtimestamp(MAY / 1000 + 60 * i, UTC).isoformat() for i in range(300)]
    rows = {
        "time": stamps,
        "point": ["q01"] * 300,
        "register": ["import"] * 300,
        "value": [float(i) for i in range(300)],
    }
    pq.write_table(pa.table(rows), path, compression="none", use_dictionary=False, **options)
    return path.read_bytes()


def damages(whole: bytes) -> Iterator[bytes]:
    """The file cut at 20 places, and with one flipped bit at 100 of pages and footer and in every byte of both ends."""
    rng = random.Random(11)
    yield from (whole[: rng.randrange(len(whole))] for _ in range(20))
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    places = [rng.randrange(footer, len(whole) - 8) for _ in range(80)]
    places += [rng.randrange(4, footer) for _ in range(20)] + [*range(4), *range(len(whole) - 8, len(whole))]
    for place in places:
        yield whole[:place] + bytes([whole[place] ^ (1 << rng.randrange(8))]) + whole[place + 1 :]


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
def test_text_in_another_encoding_is_named_with_row_and_remedy_and_the_remedy_works(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], *, packed: bool
) -> None:
    """A plain table whose header is ASCII: the row counts from the top of the file, far behind the first block too."""
    plan, old = str(write_plan(tmp_path / "plan", 1883)), tmp_path / ("old.csv.gz" if packed else "old.csv")
    lines = ["time,point,register,value,note"]
    for i in range(3_000):
        at = datetime.fromtimestamp(MAY / 1000 + 60 * i, UTC).isoformat()
        lines.append(f"{at},q01,import,{1_000 + i},{'x' * 4_000}")
    lines[2_900] = lines[2_900].replace(",q01,", ",q01\u00fc,")
    text = "\n".join(lines).encode("windows-1252")
    old.write_bytes(gzip.compress(text, 1) if packed else text)
    command = ["replay", plan, str(old), "--out", str(tmp_path / "o")]
    assert main(command) == 1
    output = capsys.readouterr().err
    assert f"cannot read {old}, row 2901: " in output
    assert "q01\\\\xfc' is not UTF-8; save the file as UTF-8, or replay it with --set encoding=windows-1252" in output
    assert main([*command, "--set", "encoding=windows-1252"]) == 0
    assert "2999 readings" in "".join(capsys.readouterr())


def test_a_damaged_parquet_file_is_named_with_its_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan, rows = str(write_plan(tmp_path / "plan", 1883)), tmp_path / "old.parquet"
    whole = parquet(rows)
    command = ["replay", plan, str(rows), "--out", str(tmp_path / "o")]
    assert main(command) == 0, capsys.readouterr().err
    no_text = whole.replace(b"q01", b"q\xff1")  # what a reader of single cells stumbles over
    refused = 0
    for damaged in (no_text, *damages(whole)):
        rows.write_bytes(damaged)
        code, output = main(command), capsys.readouterr().err
        assert "fault of meterd" not in output
        assert not code or str(rows) in output
        if code and "column" not in output:  # other names and types of columns make another file, and say so
            assert f"cannot read {rows}: the Parquet file is damaged; copy or export it again" in output
            refused += 1
    assert refused > 50


def test_a_page_that_does_not_fit_its_checksum_is_no_other_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, rows = str(write_plan(tmp_path / "plan", 1883)), tmp_path / "old.parquet"
    whole = parquet(rows, write_page_checksum=True)
    value = whole.index(pa.py_buffer(pa.array([17.0]).buffers()[1]).to_pybytes())
    rows.write_bytes(whole[:value] + b"\x01" + whole[value + 1 :])
    assert main(["replay", plan, str(rows), "--out", str(tmp_path / "o")]) == 1
    assert "is damaged" in capsys.readouterr().err


def test_a_history_of_many_files_keeps_few_of_them_open(tmp_path: Path) -> None:
    """Ten years of months are 120 files, and two threads read them: a system lets a program open about a thousand."""

    def still_open() -> int:
        return sum(link.resolve().parent == tmp_path for link in Path("/proc/self/fd").iterdir())

    tables = []
    for i in range(3 * MOST_OPEN):
        pq.write_table(pa.table({"time": [i], "a": [10 * i], "b": [20 * i]}), tmp_path / f"{i:03}.parquet")
        tables.append(open_table(tmp_path / f"{i:03}.parquet", "time"))
    files = OpenFiles()
    for name, factor in (("a", 10), ("b", 20)):
        shown = [chunk.data.column(0)[0].as_py() for table in tables for chunk in chunks(table, [name], [], files)]
        assert shown == [factor * i for i in range(len(tables))]
        assert still_open() == MOST_OPEN
    files.close()
    assert still_open() == 0
