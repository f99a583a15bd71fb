"""Rules between the rows of a plan: site, names, boards, points and consumers."""

import json
import re
from collections.abc import Iterable, Set
from dataclasses import fields
from decimal import Decimal
from zoneinfo import ZoneInfo, available_timezones

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.field_types import shown
from meterd.adapters.planfile.name_rules import instead, is_secret, sameness
from meterd.adapters.planfile.schema import BoardRow, BrokerTable, ConsumerRow, Entry, InputRow, PointRow, Table
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.core.errors import ConfigError
from meterd.core.model.announced import only_here
from meterd.core.model.plan import LEAST_DAYS, PointState, Role, Site
from meterd.core.model.reading import IRRADIANCE

# Reference designation of IEC 81346-1: levels of an aspect sign (= function, - product, + location) and a code.
DESIGNATION = re.compile(r"(?:[=+-]{1,2}[A-Z0-9]+(?:\.[A-Z0-9]+)*\s*)+\Z", re.ASCII)
HOUR_S = 3600
SHORTEST_INTERVAL_S = 60
HIGHEST_PORT = 65_535
_MAY_HANG = (Role.SUB, Role.PV, Role.STORAGE)


def check_site(draft: Draft, notes: Notes) -> None:
    """Interval and broker; the zone is checked where it is read."""
    if draft.site is not None and draft.site.sound("interval_s"):
        seconds = draft.site.data.interval_s
        if HOUR_S % seconds or seconds < SHORTEST_INTERVAL_S:
            what = f"an interval of {seconds} s does not divide an hour"
            if HOUR_S % seconds == 0:
                what = f"an interval of {seconds} s is too short"
            notes.fault(
                draft.site.row.at("interval_s"), what, "write 900 (a quarter hour), or 60, 300, 600, 1800, 3600"
            )
    if draft.broker is not None:
        _check_broker(draft.broker, notes)
    _check_announce(draft, notes)
    if draft.limits is not None and draft.limits.sound("keep_raw_days"):
        days = getattr(draft.limits.data, "keep_raw_days")  # noqa: B009 - a table that is made of `Limits`
        if 0 < days < LEAST_DAYS:
            what = f"{days} days of readings are too few: a late reading or a correction finds nothing to rest on"
            notes.fault(
                draft.limits.row.at("keep_raw_days"), what, f"write {LEAST_DAYS} or more, or 0 to delete nothing"
            )
    _check_levels(draft.limits, notes)


def _check_announce(draft: Draft, notes: Notes) -> None:
    if draft.site is None or not draft.site.sound("announce") or not draft.site.data.announce:
        return
    page = draft.page
    seen = page is not None and getattr(page.data, "port") and not only_here(getattr(page.data, "listen"))  # noqa: B009
    if draft.broker is not None and draft.broker.data.embedded and not seen:
        what = "there is nothing to announce: broker and page can be reached from this machine only"
        notes.fault(
            draft.site.row.at("announce"), what, "name a broker, or let [page] listen at an address of the network"
        )


def _check_levels(limits: Entry[Table] | None, notes: Notes) -> None:
    if limits is None or not (limits.sound("surplus_some_w") and limits.sound("surplus_plenty_w")):
        return
    some, plenty = (getattr(limits.data, name) for name in ("surplus_some_w", "surplus_plenty_w"))
    if not 0 < some < plenty:
        what = f"a surplus of {plenty} W cannot be plenty where {some} W are some"
        notes.fault(limits.row.at("surplus_plenty_w"), what, "write more than surplus_some_w, and that above 0")


def _check_broker(broker: Entry[BrokerTable], notes: Notes) -> None:
    row, data = broker.row, broker.data
    if data.port > HIGHEST_PORT:
        notes.fault(row.at("port"), f"there is no port {data.port}", "write 1 to 65535, usually 1883 or 8883")
    if data.password_env and data.password_file:
        notes.fault(row.at("password_file"), "the password has two places", "keep password_env or password_file")
    if bool(data.cert_file) != bool(data.key_file):
        missing = "key_file" if data.cert_file else "cert_file"
        notes.fault(row.place, f"{missing} is missing", "a client certificate needs cert_file and key_file")
    if (data.ca_file or data.cert_file) and not data.tls:
        notes.fault(row.at("tls"), "certificates are given, but tls is off", "write tls = true")


def check_sources(draft: Draft, notes: Notes) -> None:
    """A source speaks a known protocol, and its options are those of the protocol's settings."""
    for entry in draft.sources:
        data, row = entry.data, entry.row
        protocol = PROTOCOLS.get(data.protocol)
        if protocol is None:
            if entry.sound("protocol"):
                what = f"protocol {shown(data.protocol)} of source {data.name} is not known"
                notes.fault(row.at("protocol"), what, instead(data.protocol, PROTOCOLS))
            continue
        defaults = {item.name: item.default for item in fields(protocol.settings) if item.name != "protocol"}
        for option, value in (data.model_extra or {}).items():
            if option not in defaults:
                if not is_secret(option):
                    notes.fault(row.at(option), f"unknown option {option[:60]!r}", instead(option, defaults))
            elif not _fits(value, defaults[option]):
                right = f"write a value like {json.dumps(defaults[option])}"
                notes.fault(row.at(option), f"option {option} of source {data.name} is {shown(value)}", right)


def check_options(draft: Draft, site: Site, notes: Notes) -> None:
    """The options of each source fit together, as its protocol sees it."""
    for entry, source in zip(draft.sources, site.sources, strict=True):
        try:
            PROTOCOLS[source.protocol].settings_for(source, site)
        except ConfigError as error:
            notes.fault(entry.row.place, str(error), "see the options of the protocol: meterd help sources")


def _fits(value: object, default: object) -> bool:
    """Whether a TOML value has the type of a default; a whole number may stand for a decimal one."""
    if isinstance(value, bool) or isinstance(default, bool):
        return isinstance(value, bool) and isinstance(default, bool)
    if isinstance(value, Decimal):
        return isinstance(default, float) and value.is_finite()
    return isinstance(value, str if isinstance(default, str) else int)


def zone_of(name: str, place: Place, notes: Notes) -> ZoneInfo | None:
    """The time zone of that name, or None after noting it."""
    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError):  # a folder, a path, an unknown name
        notes.fault(
            place, f"time zone {name[:60]!r} is not in the IANA list", instead(name, sorted(available_timezones()))
        )
        return None


def check_names(draft: Draft, notes: Notes) -> None:
    """Names differ in more than case, separators and leading zeros; a point's aliases count as names of it."""
    points = [(entry.data.point, entry.row.at("point"), _stays(entry)) for entry in draft.points]
    aliases = [(alias, entry.row.at("aliases"), "") for entry in draft.points for alias in entry.data.aliases]
    _check_distinct("point", points + aliases, notes)
    _check_distinct("board", [(entry.data.name, entry.row.at("name"), "") for entry in draft.boards], notes)
    _check_distinct("source", [(entry.data.name, entry.row.at("name"), "") for entry in draft.sources], notes)
    consumers = [(entry.data.consumer, entry.row.at("consumer"), "") for entry in draft.consumers]
    _check_distinct("consumer", consumers, notes)


def _stays(entry: Entry[PointRow]) -> str:
    return "retired" if entry.data.state is PointState.RETIRED else ""


def _check_distinct(kind: str, names: Iterable[tuple[str, Place, str]], notes: Notes) -> None:
    seen: dict[str, tuple[str, Place, str]] = {}
    for name, place, state in names:
        first = seen.setdefault(sameness(name), (name, place, state))
        if first[1] is place:
            continue
        if "retired" in (state, first[2]):
            right = "the name of a retired point is never used again: choose a new one"
        else:
            right = "choose another name: case, separators (but between digits) and leading zeros do not count"
        same = "is used twice" if first[0] == name else f"is too like {first[0]}"
        notes.fault(place, f"{kind} {name} {same}, see {first[1]}", right)


def check_points(draft: Draft, notes: Notes) -> None:
    """Every point stands on a board and hangs below a feeder of it, or below none."""
    irradiance: dict[str, Entry[InputRow]] = {}  # looked through once: a plan may have ten thousand points
    for read in draft.inputs:
        if read.data.register_ == IRRADIANCE:
            irradiance.setdefault(read.data.point, read)
    flexible = {consumer.data.point for consumer in draft.consumers if consumer.data.alone}
    rooms = {name for made in draft.copies for _, copies in made.points for name in copies}
    for entry in draft.points:
        data, row = entry.data, entry.row
        if data.board is None:
            if entry.sound("board") and "board" not in draft.gaps:
                right = instead("", draft.named("board")) if draft.boards else "declare one with [[board]] first"
                notes.fault(row.at("board"), f"point {data.point} has no board", right)
        elif not draft.knows("board", data.board):
            what = f"board {data.board} of point {data.point} does not exist"
            notes.fault(row.at("board"), what, instead(data.board, draft.named("board")))
        if entry.sound("role", "below"):
            _check_below(entry, draft, notes)
        _check_own_limits(entry, flexible, rooms, notes)
        _check_array(entry, irradiance.get(data.point), notes)
        if data.designation and not DESIGNATION.match(data.designation):
            what = f"{data.designation!r} is not a reference designation of IEC 81346"
            notes.warn(row.at("designation"), what, "write levels of = - + and a code, such as =E1-Q11")


def _check_own_limits(entry: Entry[PointRow], flexible: Set[str | None], rooms: Set[str], notes: Notes) -> None:
    """Limits of unusual use that nobody would look at: of other roles, flexible loads and single rooms."""
    data, row = entry.data, entry.row
    why = ""
    if data.role not in (Role.FEEDER, Role.SUB):
        why = f"role {data.role}"
    elif data.point in flexible:
        why = "a flexible load"
    elif data.point in rooms:
        why = "a single room"
    for column in ("unusual_percent", "night_max_w"):
        if why and getattr(data, column) is not None and entry.sound("role", column):
            what = f"{column} of {data.point} does nothing: unusual use is not looked for in {why}"
            notes.warn(row.at(column), what, "leave it out")


def _check_array(entry: Entry[PointRow], reads: Entry[InputRow] | None, notes: Notes) -> None:
    """Peak power and irradiance make a performance ratio of a PV array, and nothing of anything else."""
    data, row = entry.data, entry.row
    if not entry.sound("role", "peak_kwp"):
        return
    if data.role is not Role.PV:
        if data.peak_kwp is not None:
            what = f"peak_kwp of {data.point} does nothing: its role is {data.role}"
            notes.warn(row.at("peak_kwp"), what, "write it at a point of role pv")
        if reads is not None:
            what = f"irradiance at {data.point} does nothing: its role is {data.role}"
            notes.warn(reads.row.at("register"), what, "write it at a point of role pv")
    elif reads is not None and data.peak_kwp is None:
        what = f"irradiance at {data.point} gives no performance ratio: its peak power is not known"
        notes.warn(row.at("peak_kwp"), what, "write peak_kwp in points.csv")


def _check_below(entry: Entry[PointRow], draft: Draft, notes: Notes) -> None:
    data, row = entry.data, entry.row
    if data.below is None:
        if data.role is Role.SUB:
            notes.fault(
                row.at("below"), f"point {data.point} has role sub but hangs below no feeder", "name it in below"
            )
        return
    place = row.at("below")
    upper = draft.point(data.below)
    if data.role not in _MAY_HANG:
        right = "leave below empty, or write role sub, pv or storage"
        notes.fault(place, f"point {data.point} has role {data.role} and cannot hang below another", right)
    elif upper is None:
        if not draft.knows("point", data.below):
            notes.fault(place, f"feeder {data.below} does not exist", instead(data.below, _feeders(draft, data.board)))
    elif upper.sound("role") and upper.data.role is not Role.FEEDER:
        right = instead("", _feeders(draft, data.board))
        notes.fault(place, f"{data.below} has role {upper.data.role}, only a feeder has points below it", right)
    elif upper.data.board != data.board and upper.sound("board") and entry.sound("board"):
        notes.fault(
            place, f"feeder {data.below} is on board {upper.data.board}", f"point {data.point} must be there too"
        )


def _feeders(draft: Draft, board: str | None) -> list[str]:
    return [e.data.point for e in draft.points if e.data.role is Role.FEEDER and e.data.board == board]


def check_boards(draft: Draft, notes: Notes) -> None:
    """A board has a feed; a balance needs one."""
    fed = {entry.data.board for entry in draft.points if entry.data.role is Role.FEED}
    for entry in draft.boards:
        _check_fed_by(entry, draft, notes)
        if entry.data.name not in fed and "point" not in draft.gaps:
            right = "write a point with role feed on it, or its balance stays not computable"
            notes.warn(entry.row.at("name"), f"board {entry.data.name} has no feed", right)


def _check_fed_by(entry: Entry[BoardRow], draft: Draft, notes: Notes) -> None:
    """The feeder that supplies a board stands on another one."""
    name, place = entry.data.fed_by, entry.row.at("fed_by")
    upper = None if name is None else draft.point(name)
    if name is None or (upper is None and draft.knows("point", name)):
        return
    feeders = [p.data.point for p in draft.points if p.data.role is Role.FEEDER and p.data.board != entry.data.name]
    if upper is None:
        notes.fault(place, f"feeder {name} does not exist", instead(name, feeders))
    elif upper.sound("role") and upper.data.role is not Role.FEEDER:
        notes.fault(place, f"{name} has role {upper.data.role}, a board is fed by a feeder", instead("", feeders))
    elif upper.sound("board") and upper.data.board == entry.data.name:
        notes.fault(place, f"feeder {name} is on board {entry.data.name} itself", instead("", feeders))


def check_consumers(draft: Draft, notes: Notes) -> None:
    """Powers of a flexible load fit together, and its point exists."""
    for entry in draft.consumers:
        data, row = entry.data, entry.row
        if data.point is not None and not draft.knows("point", data.point):
            what = f"point {data.point} of consumer {data.consumer} does not exist"
            notes.fault(row.at("point"), what, instead(data.point, draft.named("point")))
        _check_powers(entry, notes)


def _check_powers(entry: Entry[ConsumerRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    if not entry.sound("max_w"):
        return
    for column, value in (("min_w", data.min_w), ("step_w", data.step_w), ("fallback_w", data.fallback_w)):
        if value > data.max_w:
            what = f"{column} {value} of consumer {data.consumer} is above its max_w {data.max_w}"
            notes.fault(row.at(column), what, f"write at most {data.max_w}")
