"""What a sound plan may still lack: points that count but are not read or have no instrument."""

from meterd.app.plan.draft import Draft
from meterd.app.plan.fault import Notes
from meterd.reading import EXPORT, IMPORT
from meterd.site import PointState

_COUNTS = (PointState.LIVE, PointState.ACCEPTED)


def warn_of_gaps(draft: Draft, notes: Notes) -> None:
    """Warn of every live or accepted point without input, without energy register or without instrument."""
    registers: dict[str, set[str]] = {}
    for one in draft.inputs:
        registers.setdefault(one.data.point, set()).add(one.data.register_ or "")
    fitted = {entry.data.point for entry in draft.instruments}
    for entry in draft.points:
        point, place = entry.data.point, entry.row.at("point")
        if entry.data.state not in _COUNTS:
            continue
        read = registers.get(point, set())
        if not read:
            notes.warn(place, f"point {point} is {entry.data.state} but has no input", "write one, or state fitted")
        elif not read & {IMPORT, EXPORT}:
            what = f"point {point} is {entry.data.state} but no energy register is read"
            notes.warn(place, what, "write an input for 1.8.0, or its board stays not computable")
        if point not in fitted:
            what = f"point {point} is {entry.data.state} but has no instrument"
            notes.warn(place, what, "write meter class and current transformers, or its uncertainty is unknown")
