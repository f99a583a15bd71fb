"""Rules for [[allocation]]: one pot, something to divide it by, and tenants that the plan knows."""

from collections.abc import Iterator

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead, sameness
from meterd.adapters.planfile.price_fields import BY_TARIFF
from meterd.adapters.planfile.schema import AllocationRow, Entry
from meterd.core.model.tariff import PriceKind

_NEEDS = {"area": "areas", "mixed": "areas", "fixed": "weights"}


def check_allocations(draft: Draft, notes: Notes) -> None:
    """Names differ; board and points exist; the basis has its figures; unknown tenants are a warning."""
    seen: dict[str, str] = {}
    for entry in draft.allocations:
        name = entry.data.name
        if sameness(name) in seen:
            what = f"allocation {name} is too like {seen[sameness(name)]}"
            notes.fault(entry.row.at("name"), what, "choose another name")
        seen.setdefault(sameness(name), name)
        _check_pot(entry, draft, notes)
        _check_basis(entry, notes)
        _check_tenants(entry, draft, notes)
        _check_price(entry, draft, notes)


def _check_pot(entry: Entry[AllocationRow], draft: Draft, notes: Notes) -> None:
    data, row = entry.data, entry.row
    if not entry.sound("board", "points"):
        return
    if (data.board is None) == (not data.points):
        what = f"allocation {data.name} divides " + ("nothing" if data.board is None else "a board and points")
        notes.fault(row.place, what, "write board, or points, and not both")
    if data.board is not None and not draft.knows("board", data.board):
        what = f"board {data.board} of allocation {data.name} does not exist"
        notes.fault(row.at("board"), what, instead(data.board, draft.named("board")))
    for point in data.points:
        if not draft.knows("point", point):
            what = f"point {point} of allocation {data.name} does not exist"
            notes.fault(row.at("points"), what, instead(point, draft.named("point")))
    for point, below in _inside(data.points, draft):
        what = f"point {point} of allocation {data.name} is counted in {below} already"
        notes.fault(row.at("points"), what, f"leave out {point} or {below}")


def _inside(points: tuple[str, ...], draft: Draft) -> Iterator[tuple[str, str]]:
    """Points whose feeder is named too, and points named twice."""
    named: set[str] = set()
    for name in points:
        entry = draft.point(name)
        if name in named:
            yield name, name
        elif entry is not None and entry.data.below is not None and entry.data.below in points:
            yield name, str(entry.data.below)
        named.add(name)


def _check_basis(entry: Entry[AllocationRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    needed = _NEEDS.get(data.basis)
    if not entry.sound("basis", "areas", "weights"):
        return
    if needed is not None and not getattr(data, needed):
        right = "write areas = { Bakery = 320 } in m2" if needed == "areas" else "write weights = { Bakery = 2 }"
        notes.fault(row.at("basis"), f"basis {data.basis} of allocation {data.name} has no {needed}", right)
    if needed == "weights" and data.weights and not any(weight for _, weight in data.weights):
        notes.fault(row.at("weights"), f"all weights of allocation {data.name} are zero", "write 1 or more for one")
    for key in ("areas", "weights"):
        if getattr(data, key) and key != needed:
            notes.fault(row.at(key), f"{key} are not used by basis {data.basis}", f"leave out {key}")


def _check_tenants(entry: Entry[AllocationRow], draft: Draft, notes: Notes) -> None:
    """A tenant without a meter may have an area, so a name that no point has is only a warning."""
    data, row = entry.data, entry.row
    tenants = sorted({entry.data.tenant for entry in draft.points if entry.data.tenant})
    if "point" in draft.gaps:
        return
    listed = {"areas": [name for name, _ in data.areas], "weights": [name for name, _ in data.weights]}
    for key, names in {**listed, "tenants": list(data.tenants)}.items():
        for name in names:
            if name not in tenants:
                notes.warn(row.at(key), f"no point has the tenant {name}", instead(name, tenants))


def _check_price(entry: Entry[AllocationRow], draft: Draft, notes: Notes) -> None:
    """By the tariff: there is one, and its currency is the one."""
    data, row = entry.data, entry.row
    if data.price != BY_TARIFF or not entry.sound("price") or "tariff" in draft.gaps:
        return
    if not any(price.data.kind is PriceKind.IMPORT for price in draft.tariff):
        what = f"allocation {data.name} is priced by the tariff, and the plan has no price of kind import"
        notes.fault(row.at("price"), what, "write [[tariff]], or a price per kWh")
    elif "currency" in row.values and data.currency != draft.tariff[0].data.currency:
        what = f"allocation {data.name} is in {data.currency} and the tariff in {draft.tariff[0].data.currency}"
        notes.fault(row.at("currency"), what, "leave currency out")
