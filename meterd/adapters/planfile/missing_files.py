"""Files of a plan that are not there, or there under another name or in another form: one fault each, and no more of it."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from meterd.adapters.planfile.fault import Notes, Place

WORKBOOKS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")
TEXTS = (".csv", ".tsv", ".txt", "")
SAVE_AS = "save it as CSV (UTF-8)"


def missing_sheets(
    folder: Path, files: Mapping[str, str], written: Mapping[str, Sequence[object]], notes: Notes
) -> set[str]:
    """Kinds of rows whose file is missed, each noted as a fault. `written` are the rows of the TOML file by kind."""
    there = sorted(path.name for path in folder.iterdir() if path.is_file())
    missed = set()
    for kind, name in files.items():
        if name in there:
            continue
        other = _instead(name, there)
        if other is not None:
            notes.fault(Place(other), f"the plan reads {name}, and this file is not read", _remedy(other, name))
            missed.add(kind)
    more = any(name in there for kind, name in files.items() if kind != "point")
    if more and "point" not in missed and files["point"] not in there and not written["point"]:
        right = "write it with a row for each metering point; its columns: meterd help plan"
        notes.fault(Place(files["point"]), "the file is missing", right)
        missed.add("point")
    return missed


def sheets_beside(
    main: Path, files: Mapping[str, str], written: Mapping[str, Sequence[object]], notes: Notes
) -> set[str]:
    """All kinds of rows where the main file of a plan folder was named instead of the folder, which is noted as a fault."""
    if written["point"] or not main.with_name(files["point"]).is_file():
        return set()
    text = f"{files['point']} lies beside it and is not read: this is one file of a plan folder"
    notes.fault(Place(main.name), text, f"name the folder: {main.parent}")
    return set(files)


def _instead(name: str, there: Sequence[str]) -> str | None:
    """A file that stands in the place of the one the plan reads."""
    stem = Path(name).stem
    mine = [other for other in there if Path(other).stem.lower() == stem or other.lower() == name]
    mine += [other for other in there if other.lower() in (f"{name}.txt", f"{name}.csv")]
    return next((other for other in mine if Path(other).suffix.lower() in (*WORKBOOKS, *TEXTS)), None)


def _remedy(other: str, name: str) -> str:
    return f"{SAVE_AS} named {name}" if Path(other).suffix.lower() in WORKBOOKS else f"rename it to {name}"
