"""What a sound plan may still lack: points that count but are not read or have no instrument."""

from collections.abc import Sequence

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.schema import Entry, PointRow
from meterd.core.model.plan import PointState
from meterd.core.model.reading import EXPORT, IMPORT

_COUNTS = (PointState.LIVE, PointState.ACCEPTED)
MOST_SINGLE = 10  # more points with the same gap have one cause: a file that is missing or not finished


def warn_of_gaps(draft: Draft, notes: Notes) -> None:
    """Warn of every live or accepted point without input, without energy register or without instrument."""
    registers: dict[str, set[str]] = {}
    for item in draft.inputs:
        registers.setdefault(item.data.point, set()).add(item.data.register_ or "")
    fitted = {entry.data.point for entry in draft.instruments}
    counting = [entry for entry in draft.points if entry.data.state in _COUNTS]
    unread = [entry for entry in counting if entry.data.point not in registers]
    bare = [entry for entry in counting if entry.data.point not in fitted]
    blind = [
        entry
        for entry in counting
        if registers.get(entry.data.point) and not registers[entry.data.point] & {IMPORT, EXPORT}
    ]
    _warn(unread, "has no input", "write one, or state fitted", notes)
    right = "write an input for 1.8.0, or its board stays not computable"
    _warn(blind, "no energy register is read", right, notes)
    _warn(bare, "has no instrument", "write meter class and current transformers, or its uncertainty is unknown", notes)


def _warn(entries: Sequence[Entry[PointRow]], what: str, right: str, notes: Notes) -> None:
    """One warning for each point, or one for all of them if they are many."""
    if len(entries) > MOST_SINGLE:
        names = ", ".join(entry.data.point for entry in entries[:3])
        sentence = what.replace("has no", "have no") if what.startswith("has") else what
        many = f"{len(entries)} points ({names}, ...) are live or accepted, but {sentence}"
        notes.warn(entries[0].row.at("point"), many.replace("but have", "but they have"), right)
        return
    for entry in entries:
        notes.warn(entry.row.at("point"), f"point {entry.data.point} is {entry.data.state} but {what}", right)
