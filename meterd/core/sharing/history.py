"""What the shares came to: one row per interval, for the report of a week and for the shadow mode.

In shadow nobody follows the shares; the loads that would have are reckoned with: the export that would have been is the
measured one, plus what the consumers really drew, less what they would have drawn.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from meterd.core.pv.energy_accounting import jain

SLOTS = 60 * 96  # quarter hours that are stored: sixty days
MS_PER_H = 3_600_000
W_MS_PER_WH = MS_PER_H  # W ms per Wh


@dataclass(frozen=True, slots=True)
class ShareRow:
    """One interval. Energies in W ms (3,600,000 to the Wh); by consumer the energy of its share and its switchings."""

    start_ms: int
    mode: str
    production: int = 0
    exported: int = 0
    imported: int = 0
    would_export: int = 0
    would_import: int = 0
    duration_ms: int = 0
    energy: Mapping[str, int] = field(default_factory=dict)
    switches: Mapping[str, int] = field(default_factory=dict)


def add(
    row: ShareRow,
    elapsed_ms: int,
    *,
    production_w: int,
    export_w: int,
    would_export_w: int,
    shares_w: Mapping[str, int],
    switched: Iterable[str],
) -> ShareRow:
    """A row with one more sample of `elapsed_ms` in it."""
    energy, switches = dict(row.energy), dict(row.switches)
    for name, share in shares_w.items():
        if share:
            energy[name] = energy.get(name, 0) + share * elapsed_ms
    for name in switched:
        switches[name] = switches.get(name, 0) + 1
    return replace(
        row,
        production=row.production + max(0, production_w) * elapsed_ms,
        exported=row.exported + max(0, export_w) * elapsed_ms,
        imported=row.imported + max(0, -export_w) * elapsed_ms,
        would_export=row.would_export + max(0, would_export_w) * elapsed_ms,
        would_import=row.would_import + max(0, -would_export_w) * elapsed_ms,
        duration_ms=row.duration_ms + elapsed_ms,
        energy=energy,
        switches=switches,
    )


def to_text(row: ShareRow) -> str:
    """A row as one line of JSON, what is zero left out."""
    fields = {
        "start_ms": row.start_ms,
        "mode": row.mode,
        "of": [
            row.production,
            row.exported,
            row.imported,
            row.would_export,
            row.would_import,
            row.duration_ms,
        ],
        "energy": dict(row.energy),
        "switches": dict(row.switches),
    }
    return json.dumps(fields, separators=(",", ":"), sort_keys=True)


def from_text(text: str) -> ShareRow:
    """The row of a line; ValueError for anything else."""
    try:
        result = json.loads(text)
        production, exported, imported, would_export, would_import, duration_ms = (int(n) for n in result["of"])
        return ShareRow(
            start_ms=int(result["start_ms"]),
            mode=str(result["mode"]),
            production=production,
            exported=exported,
            imported=imported,
            would_export=would_export,
            would_import=would_import,
            duration_ms=duration_ms,
            energy={str(k): int(v) for k, v in result["energy"].items()},
            switches={str(k): int(v) for k, v in result["switches"].items()},
        )
    except (KeyError, TypeError, AttributeError) as exc:
        raise ValueError(f"not a row of shares: {text[:80]}") from exc


def slot(start_ms: int, interval_ms: int) -> int:
    """The place of an interval in the ring of those that are stored."""
    return start_ms // interval_ms % SLOTS


@dataclass(frozen=True, slots=True)
class SharingEffect:
    """A span summed up. Energies in Wh; `used` and `would_use` are PV used on the site, None without production.

    They are netted sample by sample; `netted` and `would_net` are the same with import and export netted over each interval.
    """

    hours: float
    production: float
    used: float | None
    would_use: float | None
    import_avoided: float
    energy: Mapping[str, float]
    switches: Mapping[str, int]
    fairness: float | None
    netted: float | None = None
    would_net: float | None = None

    @property
    def self_consumption(self) -> tuple[float | None, float | None]:
        """PV used over production, as it was and as it would have been."""
        if not self.production or self.used is None or self.would_use is None:
            return None, None
        return self.used / self.production, self.would_use / self.production

    @property
    def netted_consumption(self) -> tuple[float | None, float | None]:
        """The same, netted over each interval: as much as most bills see."""
        if not self.production or self.netted is None or self.would_net is None:
            return None, None
        return self.netted / self.production, self.would_net / self.production


def sharing_effect(rows: Sequence[ShareRow], names: Sequence[str]) -> SharingEffect:
    """PV used, import avoided, energy and switchings per consumer, Jain's index of their energies."""

    def total(values: Iterable[int]) -> float:
        return sum(values) / W_MS_PER_WH

    production = total(r.production for r in rows)
    energy = {name: total(r.energy.get(name, 0) for r in rows) for name in names}
    return SharingEffect(
        hours=sum(r.duration_ms for r in rows) / MS_PER_H,
        production=production,
        used=total(r.production - min(r.exported, r.production) for r in rows) if rows else None,
        would_use=total(r.production - min(r.would_export, r.production) for r in rows) if rows else None,
        import_avoided=total(r.imported - r.would_import for r in rows),
        energy=energy,
        switches={name: sum(r.switches.get(name, 0) for r in rows) for name in names},
        fairness=jain(list(energy.values())),
        netted=total(_used(r.production, r.exported - r.imported) for r in rows) if rows else None,
        would_net=total(_used(r.production, r.would_export - r.would_import) for r in rows) if rows else None,
    )


def _used(production: int, net_export: int) -> int:
    return production - min(max(net_export, 0), production)


def fact_name(start_ms: int, interval_ms: int) -> str:
    """Where the row of an interval is stored; the places are used again after sixty days."""
    return f"sharing/{slot(start_ms, interval_ms)}"
