"""Rows of a CSV file that a key of the plan names: it lies in the folder of the plan."""

from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.planfile.csv_reader import read_csv_file
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import read_text
from meterd.adapters.planfile.schema import Entry, M, check, csv_columns


@dataclass(frozen=True, slots=True)
class BesidePlan:
    """A file that is named at a place of the plan; what it holds, and a name it could have, for messages."""

    folder: Path
    name: str
    named_at: Place
    holds: str
    such_as: str

    def rows(self, model: type[M], notes: Notes) -> list[Entry[M]]:
        """The checked rows of the file; nothing where the file or one of them has a fault, which `notes` then hold."""
        path = self.folder / self.name
        if Path(self.name).name != self.name or not path.is_file():
            what = f"{self.name} with {self.holds} is no file beside the plan"
            notes.fault(self.named_at, what, f"name a file in the folder of the plan, such as {self.such_as}")
            return []
        written = read_text(path, self.name, notes)
        rows = [] if written is None else read_csv_file(written, self.name, csv_columns(model), notes)
        checked = [made for row in rows if (made := check(model, row, notes)) is not None]
        return [] if any(fault.file == self.name for fault in notes.faults) else checked
