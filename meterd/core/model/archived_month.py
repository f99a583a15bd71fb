"""A closed month in an archive: which version, made of which files, from which state of the store. Pure.

    site=SITE/table=TABLE/month=2026-02/v1-1a2b3c4d.parquet      rows, named by version and SHA-256
    site=SITE/table=month/month=2026-02/v1-5e6f7a8b.json         this description; the newest version counts

A file never changes. A table whose rows have not changed is named again by the next version of its month.
"""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from zoneinfo import ZoneInfo

from meterd.core.errors import StoreError
from meterd.core.model.periods import Period, bounds

FORMAT = 1  # of what is written here; a later one may be read by later versions only
MONTHS = "month"  # the table of the descriptions
_NAME = re.compile(r"site=(?P<site>[^/]+)/table=month/month=(?P<month>\d{4}-\d{2})/v(?P<version>\d+)-[0-9a-f]{8}\.json")


@dataclass(frozen=True, slots=True)
class ArchivedFile:
    """One file of rows. `state` tells whether the rows of the store are still those it was made from."""

    path: str
    rows: int
    bytes: int
    sha256: str
    state: str


@dataclass(frozen=True, slots=True)
class ArchivedMonth:
    """One version of a month. `plan` is the SHA-256 of the plan, `digest` that of the store it was made from."""

    format: int
    site: str
    zone: str
    interval_s: int
    month: str
    version: int
    from_ms: int
    until_ms: int
    written_ms: int
    program: str
    schema: int
    plan: str
    digest: str
    pruned: bool  # readings of this month had left the store: those of an earlier version are named, or none
    files: Mapping[str, ArchivedFile]

    def as_bytes(self) -> bytes:
        """As it is written."""
        return (json.dumps(asdict(self), indent=1, ensure_ascii=False) + "\n").encode()

    @property
    def path(self) -> str:
        """Where it is written."""
        mark = hashlib.sha256(self.as_bytes()).hexdigest()[:8]
        return f"{folder(self.site, MONTHS)}/month={self.month}/v{self.version}-{mark}.json"


def folder(site: str, table: str = "") -> str:
    """Where the files of a site or of one of its tables are."""
    return f"site={site}/table={table}" if table else f"site={site}"


def file_path(site: str, table: str, month: str, version: int, sha256: str) -> str:
    """Where the rows of a table are."""
    return f"{folder(site, table)}/month={month}/v{version}-{sha256[:8]}.parquet"


def read_month(data: bytes, where: str) -> ArchivedMonth:
    """The description that was written; StoreError for one of a later version, or that is damaged."""
    try:
        values = json.loads(data)
        version = int(values["format"])
    except (ValueError, TypeError, KeyError) as exc:
        raise StoreError(f"{where} is no description of a month; restore it, or remove it with its month") from exc
    if version > FORMAT:
        raise StoreError(
            f"{where} is of a later version (format {version}, known {FORMAT}); run the later version of meterd"
        )
    try:
        known = {field.name: values[field.name] for field in fields(ArchivedMonth)}
        names = [field.name for field in fields(ArchivedFile)]
        files = {table: ArchivedFile(*(file[name] for name in names)) for table, file in values["files"].items()}
        return ArchivedMonth(**{**known, "files": files})
    except (TypeError, KeyError, AttributeError) as exc:
        raise StoreError(f"{where} is incomplete; restore it, or remove it with its month") from exc


def newest_paths(paths: Iterable[str]) -> dict[str, list[str]]:
    """Of each month the paths of the newest version of its description: one, or several of two writers."""
    versions: dict[str, dict[int, list[str]]] = {}
    for path in paths:
        if (match := _NAME.fullmatch(path)) is not None:
            versions.setdefault(match["month"], {}).setdefault(int(match["version"]), []).append(path)
    return {month: known[max(known)] for month, known in sorted(versions.items())}


def spans_of(month: tuple[int, int], zone: ZoneInfo, interval_ms: int) -> dict[Period, tuple[int, int]]:
    """Which figures belong to a month given by its bounds: starts by period, end exclusive, of those that end in it.

    Each belongs to one month, and of a closed month all are closed.
    """
    low, high = month
    return {
        period: (bounds(period, low, zone, interval_ms)[0], bounds(period, high, zone, interval_ms)[0])
        for period in Period
    }
