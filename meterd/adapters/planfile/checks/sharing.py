"""Rules for [sharing]: a key has its weights, a weight its tenant, and what is shared somebody to take it."""

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead
from meterd.core.model.plan import Role, Sharing

_WEIGHED = ("static", "hybrid", "priority")


def check_sharing(draft: Draft, notes: Notes) -> None:
    """The names of the key are tenants; sharing needs consumers, a feed and PV."""
    if draft.sharing is None:
        return
    row, sound = draft.sharing.row, draft.sharing.sound
    data = Sharing(**draft.sharing.data.model_dump())
    tenants = sorted({entry.data.tenant for entry in draft.points if entry.data.tenant})
    if sound("keys", "key"):
        if data.key in _WEIGHED and not data.keys:
            shown = ", ".join(f"{name!r} = 1" for name in tenants[:3]) or "tenant = 1"
            notes.fault(
                row.at("key"), f"key {data.key} has no weights", f"write keys = {{ {shown} }}".replace("'", '"')
            )
        for name, _ in data.keys:
            if name not in tenants and "point" not in draft.gaps:
                notes.fault(row.at("keys"), f"no point has the tenant {name}", instead(name, tenants))
    if data.mode != "off" and sound("mode") and not {"consumer", "point"} & draft.gaps:
        roles = {entry.data.role for entry in draft.points}
        for there, what, right in (
            (bool(draft.consumers), "no consumer", "write consumers.csv"),
            (Role.FEED in roles, "no feed", "write a point with role feed"),
            (Role.PV in roles, "no PV", "write a point with role pv"),
        ):
            if not there:
                notes.fault(row.at("mode"), f"mode {data.mode}, but the plan has {what}", f'{right}, or mode = "off"')
