"""Rows of the table of derived values for displays and lamps: the energies of today, and the surplus as a word."""

from collections.abc import Callable

from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PvNow, Snapshot
from meterd.core.model.surplus_level import LEVELS, SurplusLevel
from meterd.core.topics.definition import MISSING, Each, Row, RowValue, TimeBasis

Present = Callable[[Site], tuple[str, ...]]


def _today(pick: Callable[[PvNow], int | None]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, _: str) -> RowValue:
        day = snapshot.pv_day
        energy_mwh = None if day is None else pick(day)
        if day is None or energy_mwh is None:
            return MISSING
        return RowValue(energy_mwh / 1000, day.end_ms, Quality.ESTIMATED if day.estimated else Quality.GOOD)

    return take


def _level(snapshot: Snapshot, _: str) -> RowValue:
    """The word; `unknown` is a word as well, so that a lamp need not look at states."""
    level = snapshot.surplus_level
    at_ms = snapshot.now_ms if level is SurplusLevel.UNKNOWN else snapshot.surplus.at_ms
    # believed as long as the surplus that it is made of
    return RowValue(LEVELS[level.value], at_ms, Quality.GOOD, level.value, every_ms=snapshot.surplus.every_ms)


def display_rows(with_pv: Present) -> tuple[Row, ...]:
    """The rows, present only where there is PV."""

    def energy(pattern: str, meaning: str, pick: Callable[[PvNow], int | None]) -> Row:
        text = f"{meaning} of the local day so far."
        return Row(pattern, "Wh", text, Each.SITE, TimeBasis.DAY, _today(pick), with_pv)

    level = (
        "The surplus as a word for a lamp: none (0), some (1), plenty (2) or unknown (3); the number is that of /plain."
    )
    return (
        energy("pv/production-today", "PV energy", lambda day: day.production_mwh),
        energy("pv/self-use-today", "PV energy used on the site", lambda day: day.self_use_mwh),
        energy("site/import-today", "Energy taken from the grid", lambda day: day.import_mwh),
        energy("site/export-today", "Energy given to the grid", lambda day: day.export_mwh),
        energy("site/consumption-today", "Energy of all loads", lambda day: day.consumption_mwh),
        Row(
            "pv/surplus-level",
            "",
            level,
            each=Each.SITE,
            follows=TimeBasis.NOW,
            take=_level,
            present=with_pv,
            fallback=LEVELS["unknown"],
            words=LEVELS,
        ),
    )
