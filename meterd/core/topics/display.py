"""One small message with everything a display shows: powers, energies of today, price, and a sentence in both languages."""

import json

from meterd.core.energy.price_now import price_now
from meterd.core.model.periods import text as time_text
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow, PvNow, Snapshot, SurplusNow
from meterd.core.model.surplus_level import SurplusLevel

TITLE_MOST, CURRENCY_MOST = 60, 8  # letters: the message stays below 1 kB
_WORDS = {
    "en": {
        "pv": "PV is producing {power}",
        "pv-unknown": "PV is not known",
        SurplusLevel.PLENTY: "plenty of surplus: {surplus}",
        SurplusLevel.SOME: "some surplus: {surplus}",
        SurplusLevel.NONE: "no surplus",
        SurplusLevel.UNKNOWN: "the surplus is not known",
    },
    "de": {
        "pv": "PV erzeugt {power}",
        "pv-unknown": "PV ist nicht bekannt",
        SurplusLevel.PLENTY: "viel Überschuss: {surplus}",
        SurplusLevel.SOME: "etwas Überschuss: {surplus}",
        SurplusLevel.NONE: "kein Überschuss",
        SurplusLevel.UNKNOWN: "der Überschuss ist nicht bekannt",
    },
}


def display_fields(snapshot: Snapshot) -> dict[str, object]:
    """The fields, null where something is missing. `age_s` is the age of the oldest power in it."""
    powers: dict[str, PowerNow | SurplusNow] = {"production": snapshot.production, "draw": snapshot.draw}
    powers["surplus"] = snapshot.surplus
    known = [now.at_ms for now in powers.values() if now.power_w is not None]
    oldest_ms = min(known, default=None)
    return {
        "title": (snapshot.site.title or snapshot.site.name)[:TITLE_MOST],
        "at": time_text(snapshot.now_ms // 1000 * 1000),
        "state": _state(powers),
        "age_s": None if oldest_ms is None else max(0, snapshot.now_ms - oldest_ms) // 1000,
        **{f"{name}_w": _whole(now) for name, now in powers.items()},
        "surplus": snapshot.surplus_level.value,
        "today": _today(snapshot.pv_day),
        "tariff": _tariff(snapshot),
        "words": {language: _sentence(snapshot, language) for language in _WORDS},
    }


def display_payload(snapshot: Snapshot) -> bytes:
    """The message as JSON."""
    return json.dumps(display_fields(snapshot), ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _state(powers: dict[str, PowerNow | SurplusNow]) -> str:
    """`good` with all powers, `partial` with some, `invalid` with none."""
    known = [now.power_w is not None and now.state is not Quality.INVALID for now in powers.values()]
    if not any(known):
        return Quality.INVALID.value
    whole = all(known) and all(now.state is Quality.GOOD for now in powers.values())
    return Quality.GOOD.value if whole else Quality.PARTIAL.value


def _whole(now: PowerNow | SurplusNow) -> int | None:
    return None if now.power_w is None else round(now.power_w)


def _today(day: PvNow | None) -> dict[str, int | None] | None:
    """Energies of the local day so far in whole Wh."""
    if day is None:
        return None
    energies = {
        "production_wh": day.production_mwh,
        "self_use_wh": day.self_use_mwh,
        "import_wh": day.import_mwh,
        "export_wh": day.export_mwh,
        "consumption_wh": day.consumption_mwh,
    }
    return {name: None if mwh is None else round(mwh / 1000) for name, mwh in energies.items()}


def _tariff(snapshot: Snapshot) -> dict[str, object] | None:
    """What a kWh from the grid costs, until when, and then; null where the plan has no price for it."""
    now = price_now(snapshot.site, snapshot.now_ms)
    if now is None:
        return None
    until = None if now.until_ms is None else time_text(now.until_ms)
    then = None if now.then is None else float(now.then)
    return {"price": float(now.price), "currency": now.currency[:CURRENCY_MOST], "until": until, "then": then}


def _sentence(snapshot: Snapshot, language: str) -> str:
    text = _WORDS[language]
    production, surplus = snapshot.production.power_w, snapshot.surplus.power_w
    first = text["pv-unknown"] if production is None else text["pv"].format(power=_kilowatt(production, language))
    second = text[snapshot.surplus_level].format(surplus=_kilowatt(surplus or 0.0, language))
    return f"{first}, {second}"


def _kilowatt(watt: float, language: str) -> str:
    """Tenths of a kW, with the comma of the language.

    >>> _kilowatt(12345, "en"), _kilowatt(12345, "de")
    ('12.3 kW', '12,3 kW')
    """
    number = f"{watt / 1000:.1f}"
    return f"{number.replace('.', ',') if language == 'de' else number} kW"
