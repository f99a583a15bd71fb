"""What people enter or are given, as it is stored."""

from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.maintenance_log import Record
from meterd.core.model.reading import EXPORT, IMPORT

ISSUED = IssueRecord(
    "month-report", "2026-05", 1_000, 2_000, 9_000, "Cleo", "ab" * 32, (("q01", IMPORT, 5), ("q02", EXPORT, None))
)


RECORD = Record("exchange", "q01", 5_000, "Ada", "verified", 9_000, {"old serial": "A-17"})
