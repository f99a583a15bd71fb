"""Documents written by a command, read back as text and rows."""

from pathlib import Path

import openpyxl
import pandas as pd
import pypdf

from meterd.app.cli.main import main
from tests.adapters.documents.month import energies

MARCH = slice(pd.Timestamp("2026-02-28 23:00Z"), pd.Timestamp("2026-03-31 21:00Z"))
HOUR = 3_600_000


def march() -> pd.DataFrame:
    """Wh of each hour of local March, by other means."""
    return energies().loc[MARCH]


def book(path: Path) -> dict[str, list[list[object]]]:
    """A workbook as rows by worksheet; a sum that is a formula has the value that was written with it."""
    sheets = openpyxl.load_workbook(path, data_only=True).worksheets
    return {sheet.title: [[cell.value for cell in row] for row in sheet.iter_rows()] for sheet in sheets}


def text(path: Path) -> str:
    """All text of a PDF."""
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def made(tmp_path: Path, *arguments: object) -> Path:
    """Run a command that must succeed; the file behind --xlsx or --pdf."""
    options = [str(item) for item in arguments]
    assert main(options) == 0
    return Path(options[-1])
