"""The life of findings: one cause, one finding; opened, renewed, closed when its condition is gone."""

from collections.abc import Iterable
from dataclasses import replace

from meterd.finding import Finding, FindingRow, FindingState
from meterd.store.sqlite import SqliteStore

EVENT_LIFE_MS = 86_400_000  # what a register did stays open for a day, then only the books remember it


class FindingKeeper:
    """Open findings in memory, all of them in the store. Belongs to the loop."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self._open = {row.finding.id: row for row in store.findings() if row.state != FindingState.CLOSED}
        self._events = {i for i, row in self._open.items() if row.finding.at_ms == row.first_ms == row.last_ms}

    @property
    def open(self) -> tuple[Finding, ...]:
        """Open findings, oldest first."""
        return tuple(row.finding for row in sorted(self._open.values(), key=lambda r: (r.first_ms, r.finding.id)))

    def update(self, conditions: Iterable[Finding], events: Iterable[Finding], now_ms: int) -> None:
        """Take over what holds now and what happened since; what does not hold any more is closed."""
        holding = {finding.id: finding for finding in conditions}
        writes = [self._event(finding) for finding in events]
        writes += [self._renew(finding, now_ms) for finding in holding.values()]
        for name, row in list(self._open.items()):
            over = now_ms - row.last_ms > EVENT_LIFE_MS if name in self._events else name not in holding
            if over:
                writes.append(replace(row, state=FindingState.CLOSED, closed_ms=now_ms))
                del self._open[name]
                self._events.discard(name)
        changed = [row for row in writes if row is not None]
        if changed:
            with self._store.transaction():
                for row in changed:
                    self._store.write_finding(row)

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
        self._events.add(finding.id)
        return row
