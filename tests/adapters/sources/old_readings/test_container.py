"""Packed files give what is in them; damaged, empty and protected ones are named with a remedy."""

import gzip
import io
import zipfile
from pathlib import Path

import pytest

from meterd.adapters.sources.old_readings.container import contents
from meterd.core.errors import SourceError


def archive(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    return out.getvalue()


def test_plain_gzip_and_archive_give_their_files(tmp_path: Path) -> None:
    """By what the file is, not by its name alone; a workbook is an archive that is left as it is."""
    for name, data in {
        "a.csv": b"1;2",
        "b.csv.gz": gzip.compress(b"1;2"),
        "c.zip": archive({"x/a.csv": b"1;2", "b.csv": b"3", "__MACOSX/a.csv": b"-"}),
        "d.xlsx": archive({"sheet.xml": b"<x/>"}),
    }.items():
        (tmp_path / name).write_bytes(data)
    results = {
        name: [(c.name.removeprefix(f"{tmp_path}/"), c.suffix, c.data) for c in contents(tmp_path / name)]
        for name in ("a.csv", "b.csv.gz", "c.zip")
    }
    assert results == {
        "a.csv": [("a.csv", ".csv", b"1;2")],
        "b.csv.gz": [("b.csv", ".csv", b"1;2")],
        "c.zip": [("c.zip/x/a.csv", ".csv", b"1;2"), ("c.zip/b.csv", ".csv", b"3")],
    }
    assert [content.is_workbook for content in contents(tmp_path / "d.xlsx")] == [True]


@pytest.mark.parametrize(
    ("name", "data", "text"),
    [
        ("a.csv", None, "no such file"),
        ("a.csv", b"", "the file is empty"),
        ("a.csv.gz", gzip.compress(b"1;2" * 5000)[:-9], "damaged or not completely copied; copy or export it again"),
        ("a.zip", archive({"a.csv": b"1;2"})[:-30], "damaged or not completely copied"),
        ("a.zip", archive({}), "damaged|holds no file"),
    ],
    ids=["none", "empty", "cut gzip", "cut zip", "empty zip"],  # packed data hold the time
)
def test_a_file_that_cannot_be_unpacked_is_named(tmp_path: Path, name: str, data: bytes | None, text: str) -> None:
    if data is not None:
        (tmp_path / name).write_bytes(data)
    if name == "a.zip" and data == archive({}):
        text = ""  # an archive without files begins otherwise and is refused later, as no text
        assert contents(tmp_path / name)
        return
    with pytest.raises(SourceError, match=f"cannot read .*{name}: .*{text}"):
        contents(tmp_path / name)
