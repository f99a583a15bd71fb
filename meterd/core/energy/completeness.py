"""How complete the interval figures of a register are in a stretch of time: missing, estimated, and how much energy that is."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StoredEnergies:
    """What is stored of one register in a stretch of time. Energies in mWh, of the intervals that have one.

    `estimated` counts intervals with an estimated end or a lower bound; their energy is `estimated_mwh`.
    """

    known: int = 0
    estimated: int = 0
    energy_mwh: int = 0
    estimated_mwh: int = 0


@dataclass(frozen=True, slots=True)
class Completeness:
    """Of `of` intervals that should be there: how many are missing and how many estimated; energies in mWh."""

    of: int = 0
    missing: int = 0
    estimated: int = 0
    energy_mwh: int = 0
    estimated_mwh: int = 0

    @property
    def missing_part(self) -> float | None:
        """Share of the intervals that are missing; None where there should be none."""
        return self.missing / self.of if self.of else None

    @property
    def estimated_part(self) -> float | None:
        """Share of the intervals that are estimated; None where there should be none."""
        return self.estimated / self.of if self.of else None

    @property
    def estimated_energy_part(self) -> float | None:
        """Share of the known energy that lies in estimated intervals; None without energy."""
        return self.estimated_mwh / self.energy_mwh if self.energy_mwh else None


def completeness(stored_energies: StoredEnergies, of: int) -> Completeness:
    """What is known against what should be there.

    >>> completeness(StoredEnergies(90, 9, 1000, 50), 96).missing
    6
    """
    return Completeness(
        max(of, stored_energies.known),
        max(0, of - stored_energies.known),
        stored_energies.estimated,
        stored_energies.energy_mwh,
        stored_energies.estimated_mwh,
    )


def together(parts: Iterable[Completeness]) -> Completeness:
    """The sum of several registers.

    >>> together([Completeness(96, 6, 9, 1000, 50), Completeness(96, 0, 0, 500, 0)]).missing_part
    0.03125
    """
    total = Completeness()
    for item in parts:
        total = Completeness(
            total.of + item.of,
            total.missing + item.missing,
            total.estimated + item.estimated,
            total.energy_mwh + item.energy_mwh,
            total.estimated_mwh + item.estimated_mwh,
        )
    return total


def intervals_due(span: tuple[int, int], fitted: Iterable[tuple[int, int | None]], interval_ms: int) -> int:
    """How many whole intervals of a stretch there should be figures of: those in which an instrument was fitted.

    `fitted` are the times of the instruments, None = still there; they do not overlap. Without any the whole stretch counts.

    >>> intervals_due((0, 3_600_000), [(900_000, 1_800_000), (1_800_000, None)], 900_000)
    3
    """
    low, high = span
    times = list(fitted)
    if not times:
        return max(0, (high - low) // interval_ms)
    begin = max(low, min(start for start, _ in times))
    ends = [high if end is None else end for _, end in times]
    end = min(high, max(ends))
    first, last = -(-begin // interval_ms), end // interval_ms
    return max(0, last - first)
