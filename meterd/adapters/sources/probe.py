"""One instrument, read once for a person: every value it shows, and a register in all types and orders it could have.

For commissioning: whether word order, register, ratio and sign are right is seen from the values beside each other.
"""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from meterd.adapters.sources import Delivery, http, probe_mqtt, sample, wall_ms
from meterd.adapters.sources.heard.values import numbers_in
from meterd.adapters.sources.modbus import source as modbus
from meterd.adapters.sources.modbus import sunspec
from meterd.adapters.sources.modbus.registers import KINDS, LAST_REGISTER, ORDERS, Spot, decode
from meterd.adapters.sources.modbus.sunspec_models import MODELS
from meterd.adapters.sources.modbus.transport import Declined, ModbusWire
from meterd.adapters.sources.number import NotANumber
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.adapters.sources.serial import dlms_push, iec62056_21, mbus, sml
from meterd.adapters.sources.serial.mbus_records import parse
from meterd.adapters.sources.tcp import NoAnswer, Wire
from meterd.adapters.sources.values import Item, wanted
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Input, Role, Site, base_scale
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import REGISTERS

# what a value in base units may be, to mark the likely ones: low voltage, a grid of 50 or 60 Hz, below 10 GWh
BOUNDS = {
    "V": (50.0, 1000.0),
    "A": (0.001, 10_000.0),
    "Hz": (45.0, 65.0),
    "/": (0.01, 1.0),
    "Wh": (1.0, 1e10),
    "varh": (1.0, 1e10),
}
SIGNED = ("W", "var", "A", "/")
SMALLEST_W = 0.01  # a smaller power is a number read in the wrong order
STOP_LIMIT_S = 5.0
TOLERANCE = 1.2  # power against voltage times current: classes and moments differ


Key = tuple[str, str]  # point and register


@dataclass(frozen=True, slots=True)
class Shown:
    """One line: what it is called, how it came, the value in `unit` (None: the instrument says it has none), and marks."""

    key: str
    raw: str
    value: float | None
    unit: str = ""
    chosen: bool = False  # as the plan reads it
    likely: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """The lines of one input or of one telegram."""

    title: str
    lines: tuple[Shown, ...]


def likely(value: float | None, base_unit: str, power_max: float) -> bool:
    """Whether a value in base units could be one of a low-voltage feeder.

    >>> likely(230.4, "V", 1e6), likely(6.9e-41, "V", 1e6)
    (True, False)
    """
    if value is None:
        return False
    if base_unit in ("W", "var"):
        return value == 0 or SMALLEST_W <= abs(value) <= power_max
    low, high = BOUNDS[base_unit]
    return (value == 0 and base_unit not in ("V", "Hz")) or low <= (
        abs(value) if base_unit in SIGNED else value
    ) <= high


def candidates(
    words: Sequence[int], first: int, spot: Spot, scaled: Callable[[float], float], fits: Callable[[float], bool]
) -> tuple[Shown, ...]:
    """The registers around a spot in every type of its size and every order; the plan's own reading first of all.

    `words` begin at register `first`. Values that say "not available" or cannot be are left out unless they are the plan's.
    """
    size = KINDS[spot.kind].registers
    shown_lines: list[Shown] = []
    for start in sorted(range(spot.first - 1, spot.first + 2), key=lambda item: (item != spot.first, item)):
        part = words[start - first : start - first + size] if start >= first else ()
        if len(part) != size:
            continue
        for kind in sorted(
            (name for name, rule in KINDS.items() if rule.registers == size), key=lambda name: name != spot.kind
        ):
            for order in sorted(ORDERS, key=lambda item: item != spot.order):
                if size == 1 and order in ("cdab", "dcba"):
                    continue  # one word has no order of words
                chosen = (start, kind, order) == (spot.first, spot.kind, spot.order)
                value = _decoded(part, kind, order)
                if value is None and not chosen:
                    continue
                shown = None if value is None else scaled(value)
                fit = shown is not None and fits(shown)
                if chosen or fit:
                    raw = " ".join(f"{word:04x}" for word in part)
                    shown_lines.append(Shown(f"{start}/{kind}/{order}", raw, shown, chosen=chosen, likely=fit))
    return tuple(shown_lines)


def _decoded(words: Sequence[int], kind: str, order: str) -> float | None:
    try:
        return decode(words, kind, order)
    except NotANumber:
        return None


def probe(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    """Read what the inputs of one source name, once. SourceError if nothing answers, ConfigError for a wrong address."""
    reader = READERS.get(row.protocol)
    if reader is None:
        raise ConfigError(
            f"source {row.name}: protocol {row.protocol} is not read once; known here are {', '.join(READERS)}"
        )
    try:
        return reader(row, inputs, site)
    except OSError as exc:
        raise SourceError(f"source {row.name}: {exc}; is the address right, and the device on the network?") from exc


def _modbus(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = modbus.settings_for(row)
    wire = ModbusWire(settings)
    sections = []
    try:
        for meter_input in inputs:
            spot = modbus.spot_of(meter_input, settings)
            if not wire.is_open():
                wire.open()
            sections.append(Section(_title(meter_input), _spot_lines(wire, spot, meter_input, site)))
    finally:
        wire.close()
    return tuple(sections)


def _spot_lines(wire: ModbusWire, spot: Spot, meter_input: Input, site: Site) -> tuple[Shown, ...]:
    ready = wanted(meter_input, meter_input.address, site)
    factor = base_scale(meter_input)
    before, after = min(1, spot.first), min(1, LAST_REGISTER + 1 - spot.end)
    try:
        first, words = _with_neighbours(wire, spot, before, after)
    except Declined as exc:
        return (Shown(f"{spot.first}/{spot.kind}/{spot.order}", "", None, chosen=True, note=str(exc)),)
    return tuple(
        replace(line, unit=ready.base_unit)
        for line in candidates(
            words,
            first,
            spot,
            lambda value: value * factor,
            lambda value: likely(value, ready.base_unit, ready.power_max),
        )
    )


def _with_neighbours(wire: ModbusWire, spot: Spot, before: int, after: int) -> tuple[int, list[int]]:
    try:
        return spot.first - before, wire.read(
            spot.unit, spot.table, spot.first - before, spot.end - spot.first + before + after
        )
    except Declined:
        return spot.first, wire.read(spot.unit, spot.table, spot.first, spot.end - spot.first)


def _sunspec(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = sunspec.settings_for(row)
    wire = ModbusWire(settings)
    asked: dict[sunspec.Place, dict[str, str]] = {}
    for meter_input in inputs:
        place, point = sunspec.parse_address(meter_input.address, unit=settings.unit)
        asked.setdefault(place, {})[point.name] = meter_input.register
    try:
        wire.open()
        return tuple(_model(wire, place, names, settings) for place, names in asked.items())
    except Declined as exc:
        raise SourceError(f"source {row.name}: {exc}") from exc
    finally:
        wire.close()


def _model(
    wire: ModbusWire, place: sunspec.Place, names: Mapping[str, str], settings: sunspec.SunspecSettings
) -> Section:
    bases = sunspec.BASES if settings.base < 0 else (settings.base,)
    known = sunspec.chain(lambda first, count: wire.read(place.unit, "holding", first, count), bases)
    has = ", ".join(str(model) for model, _ in known) or "none"
    title = f"unit {place.unit}, model {place}; its chain has {has}"
    if (place.model, place.nth) not in known:
        return Section(title, (Shown(str(place), "", None, chosen=True, note="the unit has no such model"),))
    at, length = known[place.model, place.nth]
    registers = wire.read(place.unit, "holding", at + 2, min(length, 125))
    lines = []
    for point in MODELS[place.model].values():
        if point.unit not in sunspec.UNIT_OF:
            continue
        try:
            item, note = sunspec.item_of(place.model, point, registers, zero_counts=settings.zero_counts), ""
        except NotANumber as exc:
            item, note = Item(None), str(exc)
        if item.value is not None or point.name in names:
            lines.append(_of_item(point.name, item, names.get(point.name, ""), note))
    return Section(title, tuple(lines))


def _mbus(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = mbus.settings_for(row)
    line = mbus.MbusLine(settings, inputs, site, wall_ms)
    sections = []
    try:
        for station in line.stations():
            if not line.is_open():
                line.open()
            frames, _ = line.ask(station)
            telegrams = [parse(frame, line.keys) for frame in frames]
            chosen = {
                mbus.parse_address(meter_input.address)[1]: meter_input.register
                for meter_input in inputs
                if mbus.parse_address(meter_input.address)[0] == station
            }
            lines = tuple(
                _of_item(
                    record.key,
                    record.item,
                    chosen.get(record.key) or chosen.get(record.obis, ""),
                    _words(record.obis, record.quantity),
                )
                for telegram in telegrams
                for record in telegram.records
            )
            sections.append(Section(f"meter {station}, identity {telegrams[0].secondary or 'unknown'}", lines))
    finally:
        line.close()
    return tuple(sections)


def _words(obis: str, quantity: str) -> str:
    return f"{quantity}, as {obis}" if obis else quantity


def _sml(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = sml.settings_for(row)
    return (
        _telegram(
            _heard(Wire(settings), sml.find, sml.check, settings.timeout_s),
            sml.items_of,
            inputs,
            site,
        ),
    )


def _readout(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = iec62056_21.settings_for(row)
    wire = Wire(settings)

    def check(telegram: bytes) -> None:
        iec62056_21.check(telegram, needed=settings.check)

    if settings.start == "listen":
        telegram = _heard(wire, iec62056_21.find, check, settings.timeout_s)
    else:
        line = iec62056_21.ReadoutLine(settings, (), wall_ms)
        try:
            line.open()
            telegram = line.ask()
            check(telegram)
        except iec62056_21.BadTelegram as exc:
            raise SourceError(f"source {row.name}: {exc}") from exc
        finally:
            line.close()
    return (_telegram(telegram, iec62056_21.items_of, inputs, site),)


def _dlms_push(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    settings = dlms_push.settings_for(row)
    keys = dlms_push.keys_of(settings)
    next_frame, carried = dlms_push.FRAMINGS[settings.framing]
    telegram = _heard(Wire(settings), lambda data: dlms_push.find(data, next_frame), carried, settings.timeout_s)
    try:
        return (_telegram(telegram, lambda whole: dlms_push.items_of(carried(whole), keys), inputs, site),)
    except dlms_push.BadTelegram as exc:
        raise SourceError(f"source {row.name}: {exc}") from exc


def _heard(
    wire: Wire, find: Callable[[bytes], tuple[int, bytes | None]], check: Callable[[bytes], object], limit_s: float
) -> bytes:
    """The next sound telegram of a meter that sends on its own."""
    buffer, deadline = b"", time.monotonic() + 2 * limit_s
    why = "no telegram came"
    wire.open()
    try:
        while time.monotonic() < deadline:
            dropped, telegram = find(buffer)
            buffer = buffer[dropped:]
            if telegram is None:
                buffer += wire.receive(deadline - time.monotonic())
                continue
            try:
                check(telegram)
            except ValueError as exc:
                why = str(exc)
                continue
            return telegram
    except NoAnswer:
        pass
    finally:
        wire.close()
    raise SourceError(f"{wire.peer()}: {why}")


def _telegram(
    telegram: bytes, items_of: Callable[[bytes], Mapping[str, Item]], inputs: tuple[Input, ...], site: Site
) -> Section:
    chosen = {spec.key: spec.register for spec in sml.wanted_by_code(inputs, site)}
    items = items_of(telegram)
    lines = [_of_item(code, item, chosen.get(code, ""), "") for code, item in items.items()]
    lines += [Shown(code, "", None, chosen=True, note="not in the telegram") for code in chosen if code not in items]
    return Section(f"telegram of {len(telegram)} bytes", tuple(lines))


def _of_item(key: str, item: Item, register: str, note: str) -> Shown:
    note = f"{note}{'; ' if note and register else ''}{f'read as {register}' if register else ''}"
    value = None if item.value is None else float(item.value)
    return Shown(key, item.shown, value, item.unit, bool(register), False, note)


def _title(meter_input: Input) -> str:
    return (
        f"{meter_input.point} {meter_input.register} ({REGISTERS[meter_input.register].name}) at {meter_input.address}"
    )


def _http(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    line = http.HttpLine(http.settings_for(row), inputs, site, wall_ms)
    sections = []
    for path in line.stations():
        line.open()
        status, body = line.ask(path)
        chosen = {meter_input.field: meter_input.register for meter_input in inputs if meter_input.address == path}
        sections.append(Section(f"{path}, HTTP status {status}, {len(body)} bytes", tuple(_numbers(body, chosen))))
    return tuple(sections)


def _numbers(body: bytes, chosen: Mapping[str, str]) -> Iterator[Shown]:
    """Every number of an answer with the field that reads it, and the fields of the plan that are not there."""
    try:
        numbers = numbers_in(body, wall_ms())
    except ValueError as exc:
        yield Shown("", sample(body), None, note=str(exc))
        return
    for number in numbers:
        register = chosen.get(number.field, "")
        item = Item(number.number, number.unit, f"{number.number:.12g}")
        yield _of_item(number.field or "payload", item, register, number.why)
    for field in chosen.keys() - {number.field for number in numbers}:
        yield Shown(field or "payload", "", None, chosen=True, note="not in the answer")


def _mqtt(row: SourceRow, inputs: tuple[Input, ...], site: Site) -> tuple[Section, ...]:
    messages = probe_mqtt.listen(row, inputs, site, limit_s=probe_mqtt.LISTEN_S)
    sections: dict[str, list[Shown]] = {}
    for meter_input in inputs:
        raw, value, unit, note = probe_mqtt.read(row, meter_input, site, messages)
        shown = Shown(meter_input.field or "payload", raw, value, unit, True, False, note)
        sections.setdefault(f"{meter_input.point}, topic {meter_input.address}", []).append(shown)
    return tuple(Section(title, tuple(lines)) for title, lines in sections.items())


READERS: dict[str, Callable[[SourceRow, tuple[Input, ...], Site], tuple[Section, ...]]] = {
    "modbus": _modbus,
    "sunspec": _sunspec,
    "mbus": _mbus,
    "sml": _sml,
    "iec62056-21": _readout,
    "dlms-push": _dlms_push,
    "http": _http,
    "mqtt": _mqtt,
}


def once(row: SourceRow, site: Site, limit_s: float) -> tuple[dict[Key, float], dict[Key, str]]:
    """What the daemon would take of one source within the limit: values in base units, and reasons of refusals."""
    results: dict[Key, float] = {}
    own = probe_mqtt.apart(row, site) if row.protocol == "mqtt" else row  # never in the place of the daemon
    source = PROTOCOLS[row.protocol].source(own, site)
    asked = {(meter_input.point, meter_input.register) for meter_input in site.inputs if meter_input.source == row.name}

    def keep(delivery: Delivery) -> None:
        for reading in delivery.readings:
            scale = 1e-3 if REGISTERS[reading.register].cumulative else 1.0
            results[reading.point, reading.register] = reading.value * scale

    source.start(keep)
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline and not asked <= results.keys() | source.refused().keys():
        if len(results) + len(source.refused()) + source.counters().get("not_available", 0) >= len(asked):
            break
        time.sleep(0.05)
    source.stop(STOP_LIMIT_S)
    return results, {key: refused.reason for key, refused in source.refused().items()}


def judge(values: Mapping[str, float], role: Role | None) -> tuple[str, ...]:
    """Words about sign and ratio from the values of one moment, per register, primary side.

    >>> judge({"16.7.0": -500.0}, Role.FEEDER)[0][:25]
    'power is negative: export'
    """
    texts = []
    power = values.get("16.7.0")
    if power is not None and power < 0 and role in (Role.FEEDER, Role.SUB):
        texts.append("power is negative: export; current transformers reversed, or PV behind it")
    if power is not None and power < 0 and role is Role.PV:
        texts.append(
            "power is negative: a PV point is positive while it produces; write scale = -1, or check the wiring"
        )
    phases = [(values.get(f"{32 + 20 * n}.7.0"), values.get(f"{31 + 20 * n}.7.0")) for n in range(3)]
    pairs = [(u, i) for u, i in phases if u is not None and i is not None]
    if power is not None and len(pairs) in (1, 3):
        apparent = sum(abs(u * i) for u, i in pairs)
        if apparent > 0:
            share = abs(power) / apparent
            texts.append(f"power is {share:.2f} of voltage times current ({apparent:.0f} VA)")
            if share > TOLERANCE:
                texts.append("that is more than there can be: ratio or scale of power or of current is wrong")
            elif share < 0.1:
                texts.append(
                    "that is very little: a phase or its current transformer reversed, or a wrong ratio or scale"
                )
    return tuple(texts)
