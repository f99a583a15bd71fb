"""Derived values as messages, and messages as values: topic, payload, expiry. Both directions, nothing is sent here.

The pack is SenML in JSON (RFC 8428): the value with unit, time and `ut` (longest time to the next update), a record
`<topic>:state`, of a sum over meters `<topic>:apart` (how far its samples are apart), and a record `<topic>:sequence`.
Wh and varh are secondary units of RFC 8798, so their packs carry `bver` 26 (10 + 2^4, RFC 9100). An invalid value has no
number, and a record without a value is not allowed: the pack then holds only the state and the sequence. The bare number
for tiny controllers goes to `<topic>/plain`.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from meterd.core.model.finding import Finding
from meterd.core.model.forecast import QUANTILES
from meterd.core.model.periods import text as time_text
from meterd.core.model.plan import Site
from meterd.core.model.plan_part import PlanPart
from meterd.core.model.reading import Quality
from meterd.core.topics.senml import EARLIEST_MS, resolve
from meterd.core.topics.table import WORDS, Entry, Value, catalogue

SENML = "application/senml+json"
JSON = "application/json"
PLAIN = "text/plain"

# Units of the second table of RFC 8798: a reader of plain version 10 must refuse them.
SECONDARY = frozenset({"Wh", "varh"})

RULE = (
    "A value is usable while its state is not invalid and its time is at most ut seconds ago; without a clock, while "
    "the last message is at most ut seconds ago. Otherwise the controller goes to its own fallback after a random "
    "delay of its own, so that not all controllers step at the same instant, and comes back the same way. The topic "
    "/plain carries the bare number; while the value is invalid it carries the fallback named here, or is not renewed "
    "where none is named and leaves the broker when its validity ends (MQTT 5 message expiry). A service topic that "
    "says gone means: treat every value as invalid. The topic /time, which site, pv, share and sharing values have beside "
    "/plain, is the time of the value in whole seconds since 1970 UTC, 0 while it is invalid. A client of bare numbers with a "
    "clock uses /plain while /time is at most ut seconds ago; one without a clock uses it from the first change of /time "
    "that it sees after it has connected, and for ut seconds after each change, and not while /time is 0. The time of a "
    "value of an interval is the end of the interval. A "
    "surplus is no interlock and no protection."
)


@dataclass(frozen=True, slots=True)
class Message:
    """What goes to the broker: retained, QoS 1. `expiry_s` None means until replaced or cleared."""

    topic: str
    payload: bytes
    content_type: str
    expiry_s: int | None
    retain: bool = True

    def __post_init__(self) -> None:
        # An empty retained payload deletes the topic (MQTT 5, 3.3.1.3): never where something was promised.
        assert self.payload, f"a message must not be empty: {self.topic}"


def number(value: float | int, decimals: int = 3) -> str:
    """Plain decimal text without exponent and without trailing zeros; AssertionError for what is no finite number.

    >>> number(-0.0004), number(1500.5), number(123456789012), number(1e15)
    ('0', '1500.5', '123456789012', '1000000000000000')
    """
    assert not isinstance(value, bool), "a truth value is no number"
    assert math.isfinite(value), f"not a number to publish: {value!r}"
    if isinstance(value, int):
        return str(value)
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _decimals(unit: str) -> int:
    """Ratios to a millionth; all others to a thousandth, which for Wh is the stored milliwatt-hour itself."""
    return 6 if unit == "/" else 3


def _seconds(at_ms: int) -> str:
    assert at_ms >= EARLIEST_MS, f"time {at_ms} ms would be read as relative"
    whole, rest = divmod(at_ms, 1000)
    return f"{whole}.{rest:03d}" if rest else str(whole)


def remaining_s(value: Value, now_ms: int) -> int:
    """Whole seconds of validity left, at least 1: what the broker may still hand out."""
    age_s = max(0, now_ms - value.at_ms) // 1000
    return max(1, value.valid_s - age_s)


def pack(value: Value, sequence: int, now_ms: int) -> Message:
    """The SenML pack of a value."""
    entry, state = value.entry, value.state.value
    head = f'"bn":"{entry.topic}","bt":{_seconds(value.at_ms)}'
    apart = "" if value.value is None or value.apart_ms is None else _apart(value.apart_ms)
    course = "" if value.course is None else _course(value)
    tail = f'{apart}{{"n":":sequence","u":"count","v":{sequence}}}{course}]'
    if value.value is None:
        body = f'[{{{head},"n":":state","vs":"{state}","ut":{entry.valid_s}}},{tail}'
    elif value.text:
        assert value.text in WORDS, f"unknown word {value.text!r}"
        body = f'[{{{head},"vs":"{value.text}","ut":{entry.valid_s}}},{{"n":":state","vs":"{state}"}},{tail}'
    else:
        shown = number(value.value, _decimals(entry.unit))
        version = '"bver":26,' if entry.unit in SECONDARY else ""
        first = f'{{{version}{head},"u":"{entry.unit}","v":{shown},"ut":{entry.valid_s}}}'
        body = f'[{first},{{"n":":state","vs":"{state}"}},{tail}'
    return Message(entry.topic, body.encode(), SENML, remaining_s(value, now_ms))


def _apart(apart_ms: int) -> str:
    """The record that says how far the samples of a sum are apart in time."""
    return f'{{"n":":apart","u":"s","v":{number(apart_ms / 1000)}}},'


def _course(value: Value) -> str:
    """The records of a forecast: one for each interval and quantile, its time the end of the interval.

    Base name and unit stand once before each quantile (RFC 8428, 4.1), which makes a record a third as long.
    """
    course, step_s = value.course, value.step_ms // 1000
    assert course is not None, "asked for by `pack`"
    parts = []
    for quantile, numbers in zip(QUANTILES, (course.low, course.middle, course.high), strict=True):
        head = f'"bn":"{value.entry.topic}:p{quantile}","bu":"{value.entry.unit}",'
        for place, number_w in enumerate(numbers, 1):
            if number_w is not None:
                parts.append(f',{{{head}"t":{place * step_s},"v":{number_w}}}')
                head = ""
    return "".join(parts)


def plain(value: Value, now_ms: int) -> Message | None:
    """The bare number, or the fallback of an invalid value, or None where no fallback is declared."""
    shown = value.value if value.value is not None else value.fallback
    if shown is None:
        return None
    payload = number(shown, _decimals(value.unit)).encode()
    return Message(f"{value.topic}/plain", payload, PLAIN, remaining_s(value, now_ms))


def bare_time(value: Value, now_ms: int) -> Message | None:
    """The time of a value in whole seconds since 1970, 0 while it is invalid; None where it is not published.

    With it a client of plain numbers tells a 0 that means "none" from one that means "not known", and one that joined while
    nobody publishes sees that the number does not change.
    """
    if not value.entry.dated:
        return None
    payload = b"0" if value.state is Quality.INVALID else str(value.at_ms // 1000).encode()
    return Message(f"{value.topic}/time", payload, PLAIN, remaining_s(value, now_ms))


def messages(value: Value, sequence: int, now_ms: int) -> tuple[Message, ...]:
    """All messages of a value in the order in which they say nothing wrong to who listens to the bare ones only.

    A value that becomes invalid says so before its number becomes the fallback, a valid one after its number.
    """
    bare = [message for message in (plain(value, now_ms), bare_time(value, now_ms)) if message is not None]
    return (pack(value, sequence, now_ms), *(reversed(bare) if value.state is Quality.INVALID else bare))


@dataclass(frozen=True, slots=True)
class Parsed:
    """A pack as a controller understands it. `value` is None exactly when the state is invalid."""

    topic: str
    value: float | None
    text: str
    unit: str
    state: Quality
    at_ms: int
    ut_s: int
    sequence: int


def parse(payload: bytes) -> Parsed:
    """The value of a pack written by `pack`; ValueError for anything else.

    A reader should use it with `usable`: valid state and not older than `ut_s`.
    """
    records = {record.name.rpartition(":")[2] if ":" in record.name else "": record for record in resolve(payload)}
    state, sequence, main = records.get("state"), records.get("sequence"), records.get("")
    if state is None or state.text is None or sequence is None or sequence.value is None:
        raise ValueError("pack without state or sequence")
    quality = Quality(state.text)
    if (main is None) != (quality is Quality.INVALID):
        raise ValueError("pack with a value must not be invalid, and the other way round")
    update_s = (main or state).update_s
    if update_s is None:
        raise ValueError("pack without ut")
    topic = state.name.removesuffix(":state")
    text = (main.text or "") if main else ""
    value = None if main is None else (float(WORDS[text]) if text else main.value)
    at_ms = round(state.at_s * 1000)
    return Parsed(
        topic,
        value,
        text,
        unit=main.unit if main else "",
        state=quality,
        at_ms=at_ms,
        ut_s=int(update_s),
        sequence=int(sequence.value),
    )


def usable(parsed: Parsed, now_ms: int) -> bool:
    """The rule for controllers: not invalid, and at most `ut_s` old."""
    return parsed.state is not Quality.INVALID and now_ms - parsed.at_ms <= parsed.ut_s * 1000


# --- service, catalogue, findings -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Service:
    """What the service topic says: who publishes, since which epoch, and when it last gave a sign of life.

    The epoch grows by one with every start or take-over; the highest publishes. `heartbeat_ms` is None in a last will.
    """

    live: bool
    instance: str
    epoch: int
    sequence: int
    version: str
    heartbeat_ms: int | None
    period_s: int
    zone_rules: str = ""  # version of the zone database that local periods follow
    files: tuple[PlanPart, ...] = ()  # of the plan, which other sites may have a copy of
    title: str = ""  # what people call the site

    def message(self, root: str) -> Message:
        """The retained message; it never expires, because the next publisher learns the epoch from it."""
        fields: dict[str, object] = {
            "state": "live" if self.live else "gone",
            "instance": self.instance,
            "epoch": self.epoch,
            "sequence": self.sequence,
            "version": self.version,
            "period_s": self.period_s,
        }
        if self.title:
            fields["title"] = self.title
        if self.zone_rules:
            fields["zone_rules"] = self.zone_rules
        if self.files:
            fields["files"] = [_file_fields(part) for part in self.files]
        if self.heartbeat_ms is not None:
            fields["heartbeat"] = time_text(self.heartbeat_ms)
            fields["heartbeat_ms"] = self.heartbeat_ms
        return Message(f"{root}/service", _json(fields), JSON, None)


def parse_service(payload: bytes) -> Service | None:
    """The service message, or None for anything that is not one (another program, an old version, noise)."""
    fields = _object(payload)
    heartbeat = fields.get("heartbeat_ms")
    counts = [fields.get(name) for name in ("epoch", "sequence", "period_s")]
    texts = [fields.get(name) for name in ("instance", "version")]
    if fields.get("state") not in ("live", "gone") or not all(isinstance(word, str) for word in texts):
        return None
    if not all(_whole(count) for count in counts) or not (heartbeat is None or _whole(heartbeat)):
        return None
    epoch, sequence, period_s = (int(str(count)) for count in counts)
    heartbeat_ms = None if heartbeat is None else int(str(heartbeat))
    live = fields["state"] == "live"
    rules, title = (word if isinstance(word, str) else "" for word in map(fields.get, ("zone_rules", "title")))
    return Service(
        live,
        str(texts[0]),
        epoch,
        sequence=sequence,
        version=str(texts[1]),
        heartbeat_ms=heartbeat_ms,
        period_s=period_s,
        zone_rules=rules,
        files=_files_in(fields.get("files")),
        title=title,
    )


def _file_fields(part: PlanPart) -> dict[str, object]:
    fields: dict[str, object] = {"name": part.name, "digest": part.digest}
    return fields if part.newest_ms is None else fields | {"newest_ms": part.newest_ms}


def _files_in(reported: object) -> tuple[PlanPart, ...]:
    """What is malformed is left out."""
    parts = []
    for fields in reported if isinstance(reported, list) else []:
        name, digest, newest = (
            map(fields.get, ("name", "digest", "newest_ms")) if isinstance(fields, dict) else 3 * (None,)
        )
        if isinstance(name, str) and isinstance(digest, str):
            parts.append(PlanPart(name, digest, newest if _whole(newest) else None))
    return tuple(parts)


def _whole(value: object) -> bool:
    # 2^53: what every JSON reader keeps exactly
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 2**53


def finding_topic(root: str, finding: Finding) -> str:
    """The topic of a finding; what is no slug becomes a hyphen, so that a subject never adds a level or a wildcard."""
    return f"{root}/finding/{re.sub(r'[^a-z0-9-]', '-', finding.id.lower())}"


def finding_message(root: str, finding: Finding, expiry_s: int) -> Message:
    """One open finding as JSON; `last` is exact to a few minutes, so that the topic does not change every second."""
    fields: dict[str, object] = {
        "cause": finding.cause,
        "subject": finding.subject,
        "at": time_text(finding.at_ms),
        "text": finding.text,
        "remedy": finding.remedy,
        "points": list(finding.points),
    }
    if finding.evidence:
        fields["evidence"] = list(finding.evidence)
    if (life := finding.life) is not None:
        fields |= {
            "state": life.state.value,
            "first": time_text(life.first_ms),
            "last": time_text(life.last_ms),
            "count": life.count,
            "number": life.number,
        }
        if life.earlier_ms is not None:
            fields["earlier"] = time_text(life.earlier_ms)
    return Message(finding_topic(root, finding), _json(fields), JSON, expiry_s)


OTHERS: tuple[tuple[str, str], ...] = (
    ("service", "Whether the publisher is live or gone, with epoch, sequence, version and heartbeat time (JSON)."),
    ("catalogue", "This list (JSON)."),
    (
        "display",
        "Powers, energies of today, the price of now and a sentence in English and German, for displays, below 1 kB (JSON).",
    ),
    ("finding/{finding}", "One open finding; removed when it is closed (JSON)."),
    ("point/{former}/renamed", "What a point is called now that had this name before (JSON)."),
)


def catalogue_message(site: Site, version: str, epoch: int) -> Message:
    """Every topic of the site with unit, meaning, period and validity, and the rule for controllers.

    Values of one row stand together: put each of `names` into `pattern`. One object per topic would be ten times as
    long, and brokers refuse large messages (one default is 20 kB).
    """
    rows: dict[str, list[Entry]] = {}
    for entry in catalogue(site):
        rows.setdefault(entry.row.pattern, []).append(entry)
    fields = {
        "site": site.name,
        "title": site.title,
        "zone": site.zone,
        "version": version,
        "epoch": epoch,
        "rule": RULE,
        "values": [_row_fields(entries) for entries in rows.values()],
        "renamed": _renamed(site),
        "others": [{"topic": topic, "meaning": meaning} for topic, meaning in OTHERS],
    }
    return Message(f"{site.prefix}/{site.name}/catalogue", _json(fields), JSON, None)


def renamed_messages(site: Site) -> tuple[Message, ...]:
    """At each former name of a point what it is called now: for whoever still listens there. They never expire."""
    root = f"{site.prefix}/{site.name}"
    return tuple(
        Message(_renamed_topic(root, former), _json({"point": name, "topic": f"{root}/point/{name}"}), JSON, None)
        for former, name in _renamed(site).items()
    )


def _renamed(site: Site) -> dict[str, str]:
    """Former name -> present name, of the former names that can be a level of a topic and name nothing else now."""
    taken = {point.name for point in site.points}
    return {
        former: point.name
        for point in site.points
        for former in point.aliases
        if former not in taken and re.fullmatch(r"[a-z0-9-]+", former)
    }


def _renamed_topic(root: str, former: str) -> str:
    return f"{root}/point/{former}/renamed"


def _row_fields(entries: list[Entry]) -> dict[str, object]:
    first = entries[0]
    fields: dict[str, object] = {
        "pattern": first.row.pattern,
        "unit": first.unit,
        "meaning": first.meaning,
        "period": first.period,
        "ut_s": first.valid_s,
        "each": first.row.each.value,
        "names": [entry.name for entry in entries],
    }
    if first.fallback is not None:
        fields["fallback"] = first.fallback
    if first.dated:
        fields["time"] = True
    return fields


def catalogue_topics(root: str, payload: bytes) -> frozenset[str]:
    """Every value topic, with its bare number, and every former name that an earlier catalogue names.

    What is malformed is left out.
    """
    fields = _object(payload)
    rows, renamed = fields.get("values"), fields.get("renamed")
    results: set[str] = set()
    for row in rows if isinstance(rows, list) else []:
        names = row.get("names") if isinstance(row, dict) else None
        below = ("", "/plain", "/time") if isinstance(names, list) and row.get("time") is True else ("", "/plain")
        for name in names if isinstance(names, list) else []:
            topic = f"{root}/{row.get('pattern')}".replace(f"{{{row.get('each')}}}", str(name))
            results.update(f"{topic}{level}" for level in below)
    safe = {topic for topic in results if re.fullmatch(r"[A-Za-z0-9][-A-Za-z0-9:./_]*", topic)}
    former = {name for name in (renamed if isinstance(renamed, dict) else {}) if re.fullmatch(r"[a-z0-9-]+", name)}
    return frozenset(safe | {_renamed_topic(root, name) for name in former})


def _json(fields: Mapping[str, object]) -> bytes:
    return json.dumps(fields, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()


def _object(payload: bytes) -> dict[str, object]:
    try:
        result = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return result if isinstance(result, dict) else {}
