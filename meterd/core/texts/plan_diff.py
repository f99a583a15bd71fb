"""What differs between two plans: in words for a person, and what cannot change while a daemon runs."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, replace

from meterd.core.model.plan import Site

# what the store, its history or every topic hangs on: another one is another daemon
_FIXED = {
    "name": "the site's name",
    "prefix": "the prefix of its topics",
    "zone": "the time zone",
    "interval_s": "the length of an interval",
    "store_path": "the path of the store",
}
_MOST = 12  # names in one line; the rest is counted
_TABLES = ("broker", "limits", "sharing", "notify", "line_store", "page", "login", "schedule", "forecast")


def fixed(old: Site, new: Site) -> list[str]:
    """What differs although it cannot change while the daemon runs, a sentence each; empty if the plan may be taken."""
    return [
        f"{text} is {getattr(new, name)!r} in the plan and {getattr(old, name)!r} in the running daemon"
        for name, text in _FIXED.items()
        if getattr(old, name) != getattr(new, name)
    ]


def change(old: Site, new: Site) -> str:
    """What is added, removed and changed, in one line; empty when both mean the same."""
    texts = [
        *_named("points", _by(old.points, "name"), _by(new.points, "name")),
        *_named("boards", _by(old.boards, "name"), _by(new.boards, "name")),
        *_named("sources", _by(old.sources, "name"), _by(new.sources, "name")),
        *_named("inputs", _inputs(old), _inputs(new)),
        *_named("instruments", _instruments(old), _instruments(new)),
        *_named("consumers", _by(old.consumers, "name"), _by(new.consumers, "name")),
        *_named("allocations", _by(old.allocations, "name"), _by(new.allocations, "name")),
        *_named("prices", _prices(old), _prices(new)),
        *_named("baselines", _baselines(old), _baselines(new)),
    ]
    for table in _TABLES:
        before, after = getattr(old, table), getattr(new, table)
        keys = [field.name for field in fields(before) if getattr(before, field.name) != getattr(after, field.name)]
        if keys:
            later = " (from the next start on)" if table == "page" else ""  # its server outlives a change of the plan
            texts.append(f"{table} changed: {_list(keys)}{later}")
    if old.title != new.title:
        texts.append("title changed")
    if old.outdoor_c != new.outdoor_c:
        texts.append("outdoor temperatures changed")
    if old.holidays != new.holidays:
        texts.append("holidays changed")
    return "; ".join(texts)


def _by(rows: Iterable[object], key: str) -> dict[str, object]:
    return {str(getattr(row, key)): row for row in rows}


def _inputs(site: Site) -> dict[str, object]:
    # the line of a row says where it stands, not what it means
    return {
        f"{meter_input.point} {meter_input.register}": replace(meter_input, where="") for meter_input in site.inputs
    }


def _prices(site: Site) -> dict[str, object]:
    # a price that ends and its follower bear one name
    return {
        name: tuple(p for p in site.tariff if p.name == name) for name in dict.fromkeys(p.name for p in site.tariff)
    }


def _baselines(site: Site) -> dict[str, object]:
    # a point may have had several measures
    names = dict.fromkeys(baseline.name for baseline in site.baselines)
    return {name: tuple(row for row in site.baselines if row.name == name) for name in names}


def _instruments(site: Site) -> dict[str, object]:
    return {
        point: site.instruments_of(point)
        for point in dict.fromkeys(instrument.point for instrument in site.instruments)
    }


def _named(what: str, old: Mapping[str, object], new: Mapping[str, object]) -> list[str]:
    kinds: dict[str, Callable[[str], bool]] = {
        "added": lambda name: name not in old,
        "removed": lambda name: name not in new,
        "changed": lambda name: name in old and name in new and old[name] != new[name],
    }
    results = {kind: [name for name in {**old, **new} if test(name)] for kind, test in kinds.items()}
    return [f"{what} {kind}: {_list(names)}" for kind, names in results.items() if names]


def _list(names: list[str]) -> str:
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return ", ".join(names[:_MOST]) + more
