"""The life of findings: one cause, one finding; opened, renewed, closed when its condition is gone."""

from collections.abc import Iterable
from dataclasses import replace

from meterd.conditions import EVENT_CAUSES
from meterd.finding import Finding, FindingRow, FindingState
from meterd.store.sqlite import SqliteStore

EVENT_LIFE_MS = 86_400_000  # what a register did stays open for a day, then only the books remember it


class FindingKeeper:
    """Open findings in memory, all of them in the store. Belongs to the loop.

    What the store does not take stays in memory, is shown all the same, and is written as soon as it can be.
    """

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self._open = {row.finding.id: row for row in store.findings() if row.state != FindingState.CLOSED}
        self._unkept: dict[str, FindingRow] = {}

    @property
    def open(self) -> tuple[Finding, ...]:
        """Open findings, oldest first."""
        return tuple(row.finding for row in sorted(self._open.values(), key=lambda r: (r.first_ms, r.finding.id)))

    def update(self, conditions: Iterable[Finding], events: Iterable[Finding], now_ms: int) -> None:
        """Take over what holds now and what happened since; what does not hold any more is closed.

        Raises StoreError when the changes could not be kept; the open findings are right all the same.
        """
        holding = {finding.id: finding for finding in conditions}
        changed = [self._event(finding) for finding in events]
        changed += [self._renew(finding, now_ms) for finding in holding.values()]
        for name, row in list(self._open.items()):
            event = row.finding.cause in EVENT_CAUSES
            over = now_ms - row.last_ms > EVENT_LIFE_MS if event else name not in holding
            if over:
                changed.append(replace(row, state=FindingState.CLOSED, closed_ms=now_ms))
                del self._open[name]
        self._unkept |= {row.finding.id: row for row in changed if row is not None}
        if self._unkept:
            with self._store.transaction():
                for row in self._unkept.values():
                    self._store.write_finding(row)
            self._unkept.clear()

    def _renew(self, finding: Finding, now_ms: int) -> FindingRow | None:
        known = self._open.get(finding.id)
        row = FindingRow(
            finding, known.first_ms if known else now_ms, now_ms, known.state if known else FindingState.NEW
        )
        self._open[finding.id] = row
        # the text of a lasting condition grows older every second; only its opening is worth a write
        return None if known else row

    def _event(self, finding: Finding) -> FindingRow | None:
        known = self._open.get(finding.id)
        if known is not None and known.finding.at_ms >= finding.at_ms:
            return None
        row = FindingRow(finding, known.first_ms if known else finding.at_ms, finding.at_ms, FindingState.NEW)
        self._open[finding.id] = row
        return row
