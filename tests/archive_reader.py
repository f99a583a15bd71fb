"""Reads an archive without meterd: `python archive_reader.py PLACE SITE` checks every file and adds up the energies.

It knows only what meterd/app/operations/README.md says ("Archive"): where descriptions lie, that the newest version of a
month counts, that files are named in it with their SHA-256, and that energies are whole milliwatt-hours. Output: JSON.
"""

import hashlib
import json
import sys
from itertools import pairwise
from pathlib import Path

import pyarrow.parquet as pq


def newest_descriptions(place: Path, site: str) -> list[dict]:
    """The newest version of each month, oldest month first."""
    newest: dict[str, dict] = {}
    for path in sorted(place.glob(f"site={site}/table=month/month=*/v*.json")):
        description = json.loads(path.read_text(encoding="utf-8"))
        assert description["format"] == 1, f"{path} is of a later format"
        known = newest.get(description["month"])
        if known is None or known["version"] < description["version"]:
            newest[description["month"]] = description
    return [newest[month] for month in sorted(newest)]


def wrong_files(place: Path, description: dict) -> list[str]:
    """Files that are missing, or not what was written."""
    wrong = []
    for file in description["files"].values():
        if file["rows"]:
            path = place / file["path"]
            if not path.exists() or hashlib.sha256(path.read_bytes()).hexdigest() != file["sha256"]:
                wrong.append(file["path"])
    return wrong


def energies(place: Path, description: dict, period: str) -> dict[tuple[str, str], list[int | None]]:
    """Energies of each register in mWh, in order of time; None is missing."""
    series: dict[tuple[str, str], list[int | None]] = {}
    if description["files"]["energy"]["rows"]:
        columns = ["period", "start", "point", "register", "energy_mwh"]
        table = pq.read_table(place / description["files"]["energy"]["path"], columns=columns).to_pylist()
        for row in sorted((row for row in table if row["period"] == period), key=lambda row: row["start"]):
            series.setdefault((row["point"], row["register"]), []).append(row["energy_mwh"])
    return series


def read(place: Path, site: str) -> dict:
    """Months, faults, and the energy of each register over all months and in each year: the sums of its intervals."""
    months, faults = newest_descriptions(place, site), []
    totals: dict[str, int] = {}
    years: dict[str, int] = {}
    for description in months:
        faults += wrong_files(place, description)
        whole = energies(place, description, "month")
        for channel, parts in energies(place, description, "interval").items():
            known = [part for part in parts if part is not None]
            name = " ".join(channel)
            totals[name] = totals.get(name, 0) + sum(known)
            year = f"{description['month'][:4]} {name}"
            years[year] = years.get(year, 0) + sum(known)
            output = whole.get(channel, [None])[0]
            if output is not None and (output != sum(known) or len(known) < len(parts)):
                faults.append(f"{description['month']} {name}: {output} mWh, its intervals give {sum(known)}")
        for channel, (output, *_) in energies(place, description, "year").items():  # it ends with this month
            year = f"{description['month'][:4]} {' '.join(channel)}"
            if output is not None and output != years[year]:
                faults.append(f"{year}: {output} mWh, its intervals give {years[year]}")
    for before, after in pairwise(months):
        if before["until_ms"] != after["from_ms"]:
            faults.append(f"nothing between {before['month']} and {after['month']}")
    names = [description["month"] for description in months]
    return {"months": names, "faults": faults, "totals_mwh": totals, "years_mwh": years}


if __name__ == "__main__":
    print(json.dumps(read(Path(sys.argv[1]), sys.argv[2]), indent=1))
    assert "meterd" not in sys.modules
