"""Rules for [[baseline]]: a name that the plan knows, and periods that follow each other."""

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.planfile.times import moment_ms


def check_baselines(draft: Draft, notes: Notes) -> None:
    """Of a point, a board or the site; the saving is counted from days after those that it is judged by."""
    site = draft.site.data.name if draft.site is not None else ""
    for entry in draft.baselines:
        data, row = entry.data, entry.row
        known = data.point == site or draft.knows("point", data.point) or draft.knows("board", data.point)
        if entry.sound("point") and not known:
            what = f"baseline of {data.point}: there is no point, board or site of that name"
            right = instead(data.point, [*draft.named("point"), *draft.named("board"), site])
            notes.fault(row.at("point"), what, right)
        if not entry.sound("from", "until", "reporting_from"):
            continue
        low, high = moment_ms(data.from_, draft.zone), moment_ms(data.until, draft.zone)
        if low >= high:
            what = f"baseline of {data.point} ends before it begins"
            notes.fault(row.at("until"), what, "write a day after from")
        if data.reporting_from is not None and moment_ms(data.reporting_from, draft.zone) < high:
            what = f"reporting_from of {data.point} lies in its own baseline"
            notes.fault(row.at("reporting_from"), what, "write the day of until, or a later one")
