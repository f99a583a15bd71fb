"""A plan that reads the export of its feed, and old readings of it without that register."""

from pathlib import Path

from meterd.core.model.periods import text
from meterd.core.model.reading import IMPORT
from tests.faults.mill import MAY, as_readings, minutes, write_plan


def imported(folder: Path, *, days: int = 1) -> tuple[Path, Path]:
    """A plan that reads the export of its feed, and a file of registers without it, a reading a minute."""
    plan, rows = write_plan(folder / "plan", 1883), folder / "old.csv"
    lines = ["time,point,register,value"]
    for reading in as_readings(minutes(days * 1440 + 1)):
        if reading.register == IMPORT and reading.point != "roof":
            back = 20 * (reading.at_ms - MAY) // 60_000 if reading.point == "q01" else 0  # what did not go to the grid
            lines.append(f"{text(reading.at_ms)},{reading.point},import,{reading.value / 1000 + back:.3f}")
    message = plan.read_text(encoding="utf-8").replace('    { point = "roof", role = "pv" },\n', "")
    plan.write_text(message, encoding="utf-8")
    rows.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return plan, rows
