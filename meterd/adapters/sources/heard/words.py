"""What the names that lead to a number say of it: quantity, direction, phase, unit; the rest is the name of its meter. Pure."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from meterd.core.model.reading import EXPORT, IMPORT, POWER, REGISTERS, UNITS

_OBIS = re.compile(r"(?:[0-9]{1,3}-[0-9]{1,3}:)?([0-9]{1,3}[._][0-9]{1,2}[._][0-9]{1,3})(?:[*][0-9]{1,3})?")
_SPLIT = re.compile(r"(?<=[a-z]{2})(?=[A-Z])|[^A-Za-z0-9]+")
_NUMBERED = re.compile(r"(power|leistung|voltage|volt|spannung|current|strom|phase|p|u|v|i)l?([123])")
_PHASE = re.compile(r"(?:l|phase)([123])")
ENERGY, POWER_WORD, VOLTAGE, CURRENT, REACTIVE = "energy", "power", "voltage", "current", "reactive"
FACTOR, FREQUENCY, PULSES, IN, OUT, MADE = "power factor", "frequency", "pulses", "import", "export", "production"
NOISE, NOT_READ = "", "not read"
WORDS: dict[str, str] = {
    word: meaning
    for meaning, tokenss in (
        (ENERGY, "energy energie arbeit zaehlerstand counter register wh kwh mwh varh kvarh mvarh"),
        (POWER_WORD, "power leistung watt watts w kw mw p"),
        (VOLTAGE, "voltage volt volts spannung u v kv"),
        (CURRENT, "current strom ampere amps amp i a ma ka"),
        (REACTIVE, "reactive blind blindleistung blindarbeit q var kvar mvar varh kvarh mvarh"),
        (FACTOR, "pf powerfactor leistungsfaktor cosphi cos phi factor"),
        (FREQUENCY, "frequency frequenz freq hz mhz f"),
        (PULSES, "pulse pulses impuls impulse pulsecount"),
        (IN, "import imported bezug consumption consumed verbrauch entnahme"),
        (OUT, "export exported lieferung abgabe rueckspeisung"),
        (MADE, "production produced produktion erzeugung ertrag yield generation"),
        (NOISE, "active wirk total sum summe value val values data actual now instantaneous state reading readings"
                " meter meters sensor sensors measurement measurements phase phases net electricity count status"),
        (NOT_READ, "today yesterday day daily week month monthly year interval last max min peak mean avg average"
                   " limit setpoint set rated nominal threshold forecast apparent va kva tariff"),
    )
    for word in tokenss.split()
}  # fmt: skip
_UNIT_WORDS = {name.casefold(): name for name in UNITS if name not in ("/", "%", "imp")}
_PHASES = {
    POWER: ("36.7.0", "56.7.0", "76.7.0"),
    VOLTAGE: ("32.7.0", "52.7.0", "72.7.0"),
    CURRENT: ("31.7.0", "51.7.0", "71.7.0"),
}


@dataclass(frozen=True, slots=True)
class Meant:
    """What the names of a number say: a register and its unit if they name one, the names of the meter, and guesses.

    Without a register `why` says what is missing.
    """

    register: str
    unit: str
    meter: tuple[str, ...]
    guesses: tuple[str, ...] = ()
    why: str = ""


def meaning_of(levels: Sequence[str], names: Sequence[str], unit: str = "") -> Meant:
    """The meaning of a number on a topic with these levels, below these names of its payload; `unit` as it was sent.

    >>> meaning_of(("mill", "q01"), ("import_wh",)).register, meaning_of(("mill", "q01", "power"), ()).meter
    ('1.8.0', ('mill', 'q01'))
    """
    parts = (*levels, *names)
    meter: list[str] = []
    tokens: list[str] = []
    code = ""
    for place, part in enumerate(parts):
        inside = place >= len(levels)
        match = _OBIS.fullmatch(part)
        if match is not None:
            code = match[1].replace("_", ".")
            continue
        rest, own = _apart(part, short=inside or place == len(parts) - 1)
        if part.isdigit() and inside and tokens:
            own, rest = [f"l{int(part) + 1}"], ""  # one of three in an array
        tokens += own
        if rest and rest not in meter[-1:]:  # a pack often repeats the name of its topic
            meter.append(rest)
    named = tuple(meter)
    if code:
        known = code in REGISTERS
        return Meant(
            code if known else "",
            _named_unit(tokens, unit),
            named,
            why="" if known else f"register {code} is not read here",
        )
    return _by_words(tokens, unit, named)


def _apart(part: str, *, short: bool) -> tuple[str, list[str]]:
    """A name of its meter, and the words of quantity behind it; words of one letter count only where `short`."""
    tokens = [token for token in _SPLIT.split(part) if token]
    spread = [word for token in tokens for word in _spread(token.casefold())]
    if all(word in WORDS or _PHASE.fullmatch(word) for word in spread) and (
        short or all(len(word) > 1 for word in spread)
    ):
        return "", spread
    own: list[str] = []
    while (
        tokens
        and (token := tokens[-1].casefold())
        and len(token) > 1
        and all(word in WORDS or _PHASE.fullmatch(word) for word in _spread(token))
    ):
        own = [*_spread(token), *own]
        tokens.pop()
    return (part if not own else "-".join(tokens)), own


def _spread(word: str) -> list[str]:
    match = _NUMBERED.fullmatch(word)
    return [word] if match is None else [match[1], f"l{match[2]}"]


def _named_unit(tokens: Iterable[str], sent: str) -> str:
    if sent:
        return sent if sent in UNITS else ""
    named = [_UNIT_WORDS[word] for word in tokens if word in _UNIT_WORDS]
    return next((unit for unit in named if len(unit) > 1), named[0] if named else "")


def _by_words(tokens: Sequence[str], sent: str, meter: tuple[str, ...]) -> Meant:
    unit = _named_unit(tokens, sent)
    says = {WORDS[word] for word in tokens if word in WORDS}
    if sent == "count":
        says.add(PULSES)
    base = UNITS[unit][0][0] if unit else "Wh" if sent == "J" else ""
    phase = next((int(match[1]) for word in tokens if (match := _PHASE.fullmatch(word))), 0)
    if NOT_READ in says:
        return Meant("", unit, meter, why="a value of a period, a limit or apparent power, which no register here is")
    register, guesses, why = _register(says, base, phase)
    if PULSES in says and register == IMPORT:
        unit = "imp"
    return Meant(register, unit, meter, guesses, why)


def _register(says: set[str], base: str, phase: int) -> tuple[str, tuple[str, ...], str]:
    """Register, guesses and what is missing; the unit decides, then the words, the more special ones first."""
    if PULSES in says:
        return IMPORT, ("pulses are counted along the arrow",), ""
    if base == "/" or FACTOR in says:
        return ("13.7.0", (), "") if not phase else ("", (), "the power factor of one phase is not read")
    if base == "Hz" or (not base and FREQUENCY in says):
        return "14.7.0", (), ""
    if base in ("V", "A") or (not base and says & {VOLTAGE, CURRENT} and not says & {POWER_WORD, ENERGY}):
        kind = VOLTAGE if base == "V" or (not base and VOLTAGE in says) else CURRENT
        guesses = () if phase else (f"{kind} names no phase: that of L1",)
        return _PHASES[kind][max(phase, 1) - 1], guesses, ""
    energy = base in ("Wh", "varh") or (not base and POWER_WORD not in says and bool(says & {ENERGY, IN, OUT, MADE}))
    if base in ("varh", "var") or (not base and REACTIVE in says):
        return _reactive(says, phase, energy=energy and (base == "varh" or ENERGY in says or bool(says & {IN, OUT})))
    if energy:
        return ("", (), "energy of one phase is not read") if phase else _energy(says)
    if base == "W" or POWER_WORD in says:
        if says & {IN, OUT}:
            return "", (), "power of one direction; 16.7.0 has a sign"
        return (_PHASES[POWER][phase - 1] if phase else POWER), (), ""
    return "", (), "no name says that it is an electrical quantity"


def _energy(says: set[str]) -> tuple[str, tuple[str, ...], str]:
    if OUT in says:
        return EXPORT, (), ""
    if MADE in says:
        return IMPORT, ("production flows along the arrow of a PV point",), ""
    return IMPORT, () if IN in says else ("the energy names no direction: import",), ""


def _reactive(says: set[str], phase: int, *, energy: bool) -> tuple[str, tuple[str, ...], str]:
    if phase:
        return "", (), "reactive power of one phase is not read"
    if energy:
        return ("4.8.0" if OUT in says else "3.8.0"), (), ""
    return "131.7.0", (), ""
