"""Names of columns and meters in a file, to points and registers of the plan: which one, in which unit. Pure."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from meterd.core.model.names import spelled
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER, REGISTERS, UNITS

_OBIS = re.compile(r"(?:[0-9]{1,3}-[0-9]{1,3}:)?([0-9]{1,3}\.[0-9]{1,2}\.[0-9]{1,3})(?:[*][0-9]{1,3})?")
_TOKEN = re.compile(r"[^\s_\-./:;,()\[\]{}|=+]+")
_UNIT = re.compile(r"[A-Za-z]+|/|%")
_UNITS = {name.casefold(): name for name in UNITS if name not in ("mA", "mHz", "/", "%")}
_EXPORT_WORDS = ("export", "lieferung", "einspeis", "rueckspeis", "abgabe", "feedin", "delivered")
_IMPORT_WORDS = ("bezug", "import", "verbrauch", "consum", "entnahme")
_PRODUCTION_WORDS = ("produktion", "production", "erzeug", "generation", "ertrag", "yield")
_REACTIVE_WORDS = ("blind", "reactive")
SHORTEST_NAME = 2  # characters of a name that is looked for inside a title; one letter is in every word


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a title seems to mean; empty where it says nothing. `points` has several where the plan's names tie."""

    points: tuple[str, ...] = ()
    register: str = ""
    unit: str = ""


class PointNames:
    """Everything by which the plan knows a point: name, former names, title, designation, serial numbers, addresses."""

    def __init__(self, site: Site) -> None:
        self._points: dict[str, set[str]] = {}
        self._roles = {point.name: point.role for point in site.points}
        for point in site.points:
            self._add(point.name, (point.name, *point.aliases, point.title, point.designation))
        for instrument in site.instruments:
            self._add(instrument.point, (instrument.serial,))
        for meter_input in site.inputs:
            self._add(meter_input.point, (meter_input.address,))

    def _add(self, point: str, names: Iterable[str]) -> None:
        for name in names:
            if point in self._roles and len(key := spelled(name)) >= SHORTEST_NAME:
                self._points.setdefault(key, set()).add(point)

    def meaning(self, title: str) -> Meaning:
        """What a title says of point, register and unit: the longest name of the plan that stands in it wins."""
        points, rest = self._in(title)
        unit = unit_in(title)
        role = self._roles[points[0]] if len(points) == 1 else None
        return Meaning(points, register_in(rest, unit, role), unit)

    def _in(self, title: str) -> tuple[tuple[str, ...], str]:
        """The points of the longest name, and the title without it: a name may hold a word for a direction itself."""
        tokens = list(_TOKEN.finditer(title))
        best, results, rest = 0, set[str](), title
        for first, begin in enumerate(tokens):
            for end in tokens[first:]:
                key = spelled(title[begin.start() : end.end()])
                if key in self._points and len(key) >= best:
                    results = self._points[key] | (results if len(key) == best else set())
                    best, rest = len(key), f"{title[: begin.start()]} {title[end.end() :]}"
        return tuple(sorted(results)), rest


def unit_in(title: str) -> str:
    """The last unit a title names, in any case of its letters; empty if it names none.

    >>> unit_in("Kran Bezug [kWh]"), unit_in("CRANE KWH"), unit_in("crane")
    ('kWh', 'kWh', '')
    """
    units = [_UNITS[word.casefold()] for word in _UNIT.findall(title) if word.casefold() in _UNITS]
    longer = [unit for unit in units if len(unit) > 1]  # A and W and V are also words
    return (longer or units or [""])[-1]


def register_in(title: str, unit: str, role: Role | None) -> str:
    """The register a title means, as an OBIS code: named, or by direction and unit; of a PV point 1.8.0 is what it produces."""
    for code in _OBIS.findall(title):
        if code in REGISTERS:
            return str(code)
    base = UNITS[unit][0][0] if unit and unit != "imp" else "Wh"
    if base not in ("Wh", "varh"):
        return POWER if base == "W" else ""
    tokens = spelled(re.sub(_OBIS, " ", title))
    exported = any(word in tokens for word in _EXPORT_WORDS) and not any(word in tokens for word in _IMPORT_WORDS)
    exported |= bool(re.search(r"[Aa]-(?![0-9A-Za-z])", title))
    if base == "varh" or any(word in tokens for word in _REACTIVE_WORDS):
        return "4.8.0" if exported else "3.8.0"
    if role is Role.PV:
        produced = exported or any(word in tokens for word in _PRODUCTION_WORDS)
        return IMPORT if produced or "bezug" not in tokens else EXPORT
    return EXPORT if exported else IMPORT
