"""An instrument of three phases by phasors: what it counts of a balanced load when its currents are connected wrongly.

Voltages and currents are written out phase by phase and multiplied as an instrument does, so that the closed formulas of the
package are not used twice.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Wires:
    """Which phase's current each of the three inputs sees, with which sign (0 = none), how far it is turned, and the ratio."""

    phases: tuple[int, int, int] = (0, 1, 2)
    signs: tuple[float, float, float] = (1.0, 1.0, 1.0)
    lead_degrees: float = 0.0
    ratio: float = 1.0


RIGHT = Wires()
SWAPPED = Wires(phases=(1, 0, 2))
ROTATED = Wires(phases=(1, 2, 0))
ROTATED_BACK = Wires(phases=(2, 0, 1))
REVERSED = Wires(signs=(-1.0, 1.0, 1.0))
MISSING = Wires(signs=(0.0, 1.0, 1.0))
DISPLACED = Wires(lead_degrees=4.0)
RATIO = Wires(ratio=0.8)  # 200/5 set where 250/5 is fitted


def counted(power: Floats, power_factor: Floats, wires: Wires) -> tuple[Floats, Floats]:
    """Active and reactive energy [T] that the instrument counts of true active energies [T] at lagging power factors [T]."""
    phase = np.exp(-2j * np.pi / 3 * np.arange(3))
    current = (power / power_factor / 3)[:, None] * phase * np.exp(-1j * np.arccos(power_factor))[:, None]
    seen = current[:, list(wires.phases)] * np.array(wires.signs)
    seen = seen * wires.ratio * np.exp(1j * np.radians(wires.lead_degrees))
    total = (phase * np.conj(seen)).sum(axis=1)
    return total.real, total.imag


def two_loads(rows: int, low: float = 0.72, high: float = 0.96) -> Floats:
    """Power factor of each quarter hour of whole days: motors from 7 to 17, the rest otherwise."""
    hour = np.arange(rows) // 4 % 24
    return np.where((hour >= 7) & (hour < 17), low, high)
