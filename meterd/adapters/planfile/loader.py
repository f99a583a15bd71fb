"""The metering plan: text files in, one frozen `Site` out, or every fault at once."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.build import build, fingerprint, prices_of
from meterd.adapters.planfile.checks.allocation import check_allocations
from meterd.adapters.planfile.checks.baseline import check_baselines
from meterd.adapters.planfile.checks.can_take import check_can_take
from meterd.adapters.planfile.checks.forecast import check_forecast
from meterd.adapters.planfile.checks.line_database import check_line_store
from meterd.adapters.planfile.checks.meters import check_inputs, check_instruments
from meterd.adapters.planfile.checks.notify import check_notify
from meterd.adapters.planfile.checks.schedule import check_schedule
from meterd.adapters.planfile.checks.sharing import check_sharing
from meterd.adapters.planfile.checks.site import (
    check_boards,
    check_consumers,
    check_names,
    check_options,
    check_points,
    check_site,
    check_sources,
)
from meterd.adapters.planfile.checks.tariff import check_tariff
from meterd.adapters.planfile.checks.web import check_login, check_page
from meterd.adapters.planfile.defaults import apply_defaults
from meterd.adapters.planfile.draft import Copies, Draft
from meterd.adapters.planfile.fault import Fault, Notes, Place, PlanError
from meterd.adapters.planfile.read import CSV_FILES, PATTERNS, SITE_FILE, load, load_tariff_rows
from meterd.adapters.planfile.warnings import warn_of_gaps
from meterd.core.model.plan import Site
from meterd.core.model.tariff import Price

__all__ = ["Copies", "Fault", "Plan", "PlanError", "load_plan"]

_ORDER = (SITE_FILE, *CSV_FILES.values())  # faults are listed in the order in which a person writes the files


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan without faults. `fingerprint` is the same for plans that mean the same."""

    site: Site
    warnings: tuple[Fault, ...]
    fingerprint: str
    copies: tuple[Copies, ...] = ()


def load_plan(path: Path) -> Plan:
    """Load the plan in a folder or in a single TOML file.

    Raises PlanError with every fault of every file. Nothing else is raised, whatever the files hold.
    """
    notes = Notes()
    if not path.exists():
        right = f"name a plan folder (with {SITE_FILE}) or a .toml file"
        raise PlanError([Fault(path.name or str(path), None, None, "there is no such plan", right)])
    draft = load(path, notes)
    apply_defaults(draft)
    _check(draft, notes)
    if notes.faults:
        raise PlanError(_listed(notes.faults))
    warn_of_gaps(draft, notes)
    site = build(draft)
    check_options(draft, site, notes)
    if notes.faults:
        raise PlanError(_listed(notes.faults))
    folder = path if path.is_dir() else path.parent
    return Plan(_rooted(site, folder), _listed(notes.warnings), fingerprint(site), tuple(draft.copies))


def load_tariff(path: Path, site: Site) -> tuple[Price, ...]:
    """The prices of a file with nothing but [[tariff]], for the zone of a site. Raises PlanError with every fault."""
    notes = Notes()
    if not path.is_file():
        raise PlanError([Fault(path.name or str(path), None, None, "there is no such file", "name a .toml file")])
    draft = load_tariff_rows(path, ZoneInfo(site.zone), notes)
    check_tariff(draft, notes)
    if notes.faults:
        raise PlanError(_listed(notes.faults))
    return prices_of(draft)


_FILE_KEYS = ("password_file", "ca_file", "cert_file", "key_file")
_LOGIN_FILES = ("client_secret_file", "ca_file")
_PAGE_FILES = ("users_file", "cert_file", "key_file")
_LINE_STORE_FILES = ("token_file", "ca_file")
_SCHEDULE_FILES = ("backup_folder", "documents_folder", "archive_password_file")
_NOTIFY_FILES = ("smtp_password_file", "smtp_ca_file", "webhook_secret_file", "webhook_ca_file")


def _rooted(site: Site, folder: Path) -> Site:
    """File names of the plan are relative to its folder, wherever the daemon is started."""
    broker = site.broker
    names: dict[str, Any] = {key: str(folder / value) for key in _FILE_KEYS if (value := getattr(broker, key, ""))}
    sources = tuple(
        replace(
            source,
            options=tuple(
                (key, str(folder / value) if _names_a_file(key) and isinstance(value, str) and value else value)
                for key, value in source.options
            ),
        )
        for source in site.sources
    )
    notify = site.notify
    ours: dict[str, Any] = {key: str(folder / value) for key in _NOTIFY_FILES if (value := getattr(notify, key))}
    page = site.page
    own: dict[str, Any] = {key: str(folder / value) for key in _PAGE_FILES if (value := getattr(page, key))}
    access: dict[str, Any] = {key: str(folder / value) for key in _LOGIN_FILES if (value := getattr(site.login, key))}
    schedule = site.schedule
    places: dict[str, Any] = {key: str(folder / value) for key in _SCHEDULE_FILES if (value := getattr(schedule, key))}
    if schedule.archive_url and "://" not in schedule.archive_url:
        places["archive_url"] = str(folder / schedule.archive_url)
    lines = site.line_store
    theirs: dict[str, Any] = {key: str(folder / value) for key in _LINE_STORE_FILES if (value := getattr(lines, key))}
    return replace(
        site,
        broker=replace(broker, **names),
        sources=sources,
        notify=replace(notify, **ours),
        line_store=replace(lines, **theirs),
        page=replace(page, **own),
        login=replace(site.login, **access),
        schedule=replace(schedule, **places),
    )


def _names_a_file(option: str) -> bool:
    """Whether the value of this option of a source is a path."""
    return option == "path" or option.endswith("_file")


def _check(draft: Draft, notes: Notes) -> None:
    check_site(draft, notes)
    check_sources(draft, notes)
    check_names(draft, notes)
    check_points(draft, notes)
    check_boards(draft, notes)
    check_instruments(draft, notes)
    check_inputs(draft, notes)
    check_consumers(draft, notes)
    check_sharing(draft, notes)
    check_can_take(draft, notes)
    check_notify(draft, notes)
    check_schedule(draft, notes)
    check_line_store(draft, notes)
    check_page(draft, notes)
    check_login(draft, notes)
    check_allocations(draft, notes)
    check_tariff(draft, notes)
    check_baselines(draft, notes)
    check_forecast(draft, notes)


def _listed(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults by file, line and column; a fault of a pattern once, not once per copy."""
    stored: dict[object, Fault] = {}
    for fault in faults:
        drawn = fault.file.startswith(f"{PATTERNS}/")
        stored.setdefault(Place(fault.file, fault.line, fault.column) if drawn else fault, fault)
    return tuple(sorted(stored.values(), key=_rank))


def _rank(fault: Fault) -> tuple[int, str, int, int]:
    order = _ORDER.index(fault.file) if fault.file in _ORDER else len(_ORDER)
    return order, fault.file, fault.line or 0, fault.column or 0


def store_path(plan: Path, site: Site) -> Path:
    """Where the store of a plan lies: beside the plan unless it says otherwise."""
    folder = plan if plan.is_dir() else plan.parent
    return folder / (site.store_path or f"{site.name}.sqlite")
