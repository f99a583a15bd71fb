"""A store, a backup and an archive of every released version: what later versions must open with the same totals for ever.

    python -m tests.released                                # of the version that is installed, before it is released
    python -m tests.released 0.1.0 COMMAND...               # of another one, by how it is called

Commands of that version make them, of a year of a small mill: a leap day, both changes of the clocks, an exchange, a register
that turns over, a week without readings and a correction. `data/released/VERSION.json` holds the totals it showed,
`data/released/interface.txt` what others hold on to.
"""

import json
import subprocess
import sys
import tarfile
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from meterd import __version__
from tests import interface
from tests.brokers import free_port

FOLDER = Path(__file__).parent / "data" / "released"
OURS = (sys.executable, "-m", "meterd.app.cli.main")
FIRST, LAST, STEP = datetime(2023, 12, 27, tzinfo=UTC), datetime(2025, 1, 4, tzinfo=UTC), timedelta(hours=4)
EXCHANGED = datetime(2024, 5, 13, 22, tzinfo=UTC)
SILENT = datetime(2024, 9, 2, tzinfo=UTC), datetime(2024, 9, 9, tzinfo=UTC)
STARTS = {"t1 1.8.0": 5_000_000, "t1 2.8.0": 1_000_000, "q01": 50_000_000, "q02": 1_500_000, "roof": 40_000_000}
SPAN = ["--from", "2023", "--until", "2025"]
NAMES = ("period", "start", "end", "point", "register", "board", "verdict")  # beside the energies
CORRECTION = [
    "--from",
    "2024-07-01",
    "--to",
    "2024-07-11",
    "--factor",
    "1.02",
    "--reason",
    "wrong ratio",
    "--person",
    "Ada",
]
PLAN = """\
site = { name = "mill", zone = "Europe/Vienna", interval_s = 3600 }
broker = { embedded = true }
store = { path = "mill.sqlite" }
board = [{ name = "main", rating_kva = 250 }]
source = [{ name = "old", protocol = "file", path = "old" }]
point = [
    { point = "t1", role = "feed" },
    { point = "q01", rating_a = 63 },
    { point = "q02", rating_a = 63 },
    { point = "roof", role = "pv" },
]
instrument = [
    { point = "t1", meter_class = "0.5S", ct_class = "0.5", ct_ratio = "400/5", register_max_wh = 1e8 },
    { point = "q01", until = "2024-05-14", meter_class = "B", register_max_wh = 1e9, closing_wh = CLOSING },
    { point = "q01", from = "2024-05-14", meter_class = "B", register_max_wh = 1e9, opening_wh = 3000 },
    { point = "q02", meter_class = "B", register_max_wh = 1e7 },
    { point = "roof", meter_class = "B", register_max_wh = 1e9 },
]
input = [
    { point = "t1", register = "1.8.0", source = "old", address = "t1", scale = "ct" },
    { point = "t1", register = "2.8.0", source = "old", address = "t1.export", scale = "ct" },
    { point = "q01", register = "1.8.0", source = "old", address = "q01" },
    { point = "q02", register = "1.8.0", source = "old", address = "q02" },
    { point = "roof", register = "1.8.0", source = "old", address = "roof" },
]
"""
Show = Callable[[Sequence[str]], str]  # runs a command, returns what it prints


def versions() -> list[str]:
    """The versions that are kept, oldest first."""
    return sorted(
        (path.stem for path in FOLDER.glob("*.json")), key=lambda name: [int(part) for part in name.split(".")]
    )


def unpack(version: str, folder: Path) -> Path:
    """Plan, store, backup and archive of a version in a folder; returns the plan."""
    with tarfile.open(FOLDER / f"{version}.tar.xz") as packed:
        packed.extractall(folder, filter="data")
    (folder / "old").mkdir()
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("embedded = true", f"embedded = true, port = {free_port()}"), encoding="utf-8")
    return plan


def kept_totals(version: str) -> dict[str, list[dict[str, object]]]:
    """What the version showed when it was released."""
    result: dict[str, list[dict[str, object]]] = json.loads((FOLDER / f"{version}.json").read_text(encoding="utf-8"))
    return result


def totals(plan: Path, show: Show, periods: Sequence[str] = ("month", "year")) -> dict[str, list[dict[str, object]]]:
    """Energies, PV figures and balances of months and years, as commands print them."""
    results = {}
    for name, texts in (("energy", ["energy"]), ("pv", ["energy", "--pv"]), ("balance", ["balance"])):
        for period in periods:
            rows = json.loads(show([*texts, str(plan), *SPAN, "--period", period, "--format", "json"]))
            results[f"{name} {period}"] = [
                {key: value for key, value in row.items() if key in NAMES or key.endswith("_wh")} for row in rows
            ]
    return results


# -- made anew ---------------------------------------------------------------------------------------------------------


def _shown() -> Iterator[tuple[datetime, dict[str, float]]]:
    """What every meter shows, every four hours."""
    shown, at = {name: float(wh) for name, wh in STARTS.items()}, FIRST
    while at <= LAST:
        yield at, shown
        day = (at - FIRST).days
        sun = (12_000 + 8_000 * (day * 7 % 5)) * (at.hour in (8, 12))
        ovens, cold = 8_000 + day * 52 % 3_600, 4_000 + day * 116 % 2_800 + 8_000 * (at.hour == 12)
        draw = ovens + cold - sun
        shown = {
            "t1 1.8.0": shown["t1 1.8.0"] + max(0, draw) / 80,  # behind a current transformer of 400/5
            "t1 2.8.0": shown["t1 2.8.0"] + max(0, -draw) / 80,
            "q01": 3_000 + ovens // 2 if at < EXCHANGED <= at + STEP else shown["q01"] + ovens,
            "q02": (shown["q02"] + cold) % 10_000_000,
            "roof": shown["roof"] + sun,
        }
        at += STEP


def _write_inputs(folder: Path) -> None:
    """The plan and the readings."""
    lines, closing = ["time,point,register,value"], 0
    for at, shown in _shown():
        if at + STEP / 2 == EXCHANGED:
            closing = int(shown["q01"]) + (8_000 + (at - FIRST).days * 52 % 3_600) // 2
        if not SILENT[0] < at < SILENT[1]:
            cells = ((f"{name} 1.8.0".split()[:2], wh) for name, wh in shown.items())
            lines += [f"{at:%Y-%m-%dT%H:%M:%SZ},{point},{register},{int(wh)}" for (point, register), wh in cells]
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "plan.toml").write_text(PLAN.replace("CLOSING", str(closing)), encoding="utf-8")
    (folder / "old").mkdir()


def make(version: str, command: Sequence[str], *, archive: bool) -> None:
    """Write the files of a version, by its own commands."""
    with TemporaryDirectory() as made:
        folder = Path(made)

        def show(texts: Sequence[str]) -> str:
            return subprocess.run([*command, *texts], cwd=folder, check=True, stdout=subprocess.PIPE, text=True).stdout

        _write_inputs(folder)
        plan, store = "plan.toml", "mill.sqlite"
        show(["replay", plan, "readings.csv", "--into", store])
        show(["correct", plan, "--point", "roof", *CORRECTION])
        show(["backup", plan, "backup.sqlite"])
        if archive:
            show(["archive", plan, "--to", "archive"])
        rows = {
            name: "[\n" + ",\n".join(json.dumps(row) for row in part) + "\n]"
            for name, part in totals(Path(plan), show).items()
        }
        text = ",\n".join(f"{json.dumps(name)}: {part}" for name, part in rows.items())
        FOLDER.mkdir(exist_ok=True)
        (FOLDER / f"{version}.json").write_text(f"{{\n{text}\n}}\n", encoding="utf-8")
        with tarfile.open(FOLDER / f"{version}.tar.xz", "w:xz", preset=9) as packed:  # a backup is its store once more
            for name in (plan, store, "backup.sqlite", *(["archive"] if archive else [])):
                packed.add(folder / name, name, filter=_of_nobody)


def _of_nobody(member: tarfile.TarInfo) -> tarfile.TarInfo:
    member.uid = member.gid = member.mtime = 0
    member.uname = member.gname = ""
    return member


if __name__ == "__main__":
    named = sys.argv[1] if len(sys.argv) > 1 else __version__
    make(named, sys.argv[2:] or OURS, archive=named != "0.1.0")  # which had none
    if named == __version__:
        interface.write()
