"""What a correction would change, before it is entered: worked out beside the stored figures, which are only read.

The command shows it as it is (`preview_correction`). The page asks for it in a process of its own (`preview_in_child`): for
a year it takes some ten seconds of a core, and neither the loop of the daemon nor that of the page may wait for them.
"""

import json
import pickle
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from meterd.adapters.store.journal import Failure
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.child_process import Child
from meterd.app.operations.impact import (
    Impact,
    Key,
    Value,
    affected_figures,
    current_figures,
    differences,
    doubtful_ends,
    findings_of,
    issued_figures,
)
from meterd.app.operations.what_if_store import WhatIfStore
from meterd.core.energy.stored_figures import StoredFigures, StoredIntervals
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import text
from meterd.core.model.plan import Site
from meterd.core.registers.corrections import FOREVER_MS, ChangedFigure, Correction, CorrectionPreview

AGAIN = "is judged again"  # what becomes of a finding: the daemon says so after the next look, not the figures


def preview_correction(path: Path, site: Site, correction: Correction) -> CorrectionPreview:
    """What becomes different when a correction is entered, or taken back if it has a number.

    ConfigError where figures cannot be recalculated, StoreError if there is no store.
    """
    channel, span = (correction.point, correction.register), (correction.from_ms, correction.reach_ms)
    known = corrections(path)
    stored = [c for c in known if c.id != correction.id]
    wanted = stored if correction.id else [*stored, replace(correction, id=len(known) + 1)]  # the newest
    with (
        open_to_read(path) as now,
        closing(WhatIfStore.of(path, site, channel, span, wanted)) as then,
    ):
        impact = impact_of(correction, now, site)
        figures = changed(affected_figures(now, site, impact), affected_figures(then, site, impact))
        figures += findings_changed(now, site, impact, None) + documents_changed(then, site, impact)
        return CorrectionPreview(tuple(figures), doubtful(then, site, impact))


def impact_of(correction: Correction, store: StoredIntervals, site: Site) -> Impact:
    """The register and the time that a correction touches; of a single reading also what goes before it.

    Where the register stood still before that reading, the line may be redrawn from there.
    """
    channel, from_ms = (correction.point, correction.register), correction.from_ms
    before = store.anchor(channel, from_ms - 1) if correction.reads else None
    if before is not None:
        stood = before[1].plateau_ms >= from_ms - site.limits.freeze_max_s * 1000
        from_ms = before[1].plateau_ms if stood else before[1].at_ms
    return Impact(channel, from_ms, correction.reach_ms)


def corrections(path: Path) -> list[Correction]:
    """All corrections of a store; StoreError if they cannot be read."""
    with open_to_read(path) as store:
        try:
            return store.corrections.all()
        except Failure as exc:
            message = "a store of an earlier version is brought forward when the daemon starts"
            raise StoreError(f"cannot read corrections: {exc}; {message}") from exc


def changed(before: Mapping[Key, Value], after: Mapping[Key, Value]) -> list[ChangedFigure]:
    """The figures that are not the same in two states."""
    return [ChangedFigure(*key, old, new) for key, old, new in differences(before, after)]


def findings_changed(
    store: ReadStore, site: Site, impact: Impact, states: Mapping[str, str] | None
) -> list[ChangedFigure]:
    """Findings of the time: their state before, and now; without `states` the one they have, for they are judged again."""
    changed_figures = []
    for row in findings_of(store, site, impact):
        name, now = row.finding.id, str(row.state)
        before, after = (now, AGAIN) if states is None else (states.get(name, "none"), now)
        changed_figures.append(ChangedFigure("finding", text(row.first_ms), name, before, after))
    return changed_figures


def documents_changed(store: ReadStore, site: Site, impact: Impact) -> list[ChangedFigure]:
    """Documents that were issued: the figure as issued, and as `store` has it."""
    now = current_figures(store, site, impact)
    return [
        ChangedFigure(*key, value, now[key])
        for key, value in issued_figures(store, site, impact).items()
        if value != now[key]
    ]


def doubtful(store: StoredFigures, site: Site, impact: Impact) -> tuple[int, ...]:
    """Ends of the correction between readings far apart: the energy of the gap is split there by an estimate."""
    return tuple(moment for moment in doubtful_ends(store, site, impact) if moment < FOREVER_MS)


# -- in a process of its own -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _PreviewRequest:
    path: Path
    site: Site
    correction: Correction


def answer(asked: bytes) -> bytes:
    """What the child says to what it was asked: the preview, or why there is none."""
    what = pickle.loads(asked)  # from our own parent, by its pipe
    assert isinstance(what, _PreviewRequest), "this is what the parent asks"
    try:
        correction_preview = preview_correction(what.path, what.site, what.correction)
    except ConfigError as exc:
        texts: dict[str, object] = {"cannot": str(exc)}
    except StoreError as exc:
        texts = {"store": str(exc)}
    else:
        rows = [(f.what, f.period, f.subject, f.before, f.after) for f in correction_preview.figures]
        texts = {"figures": rows, "doubtful": correction_preview.doubtful_ms}
    return json.dumps(texts).encode()


def preview_in_child(path: Path, site: Site, correction: Correction, limit_s: float) -> CorrectionPreview:
    """The same as `preview_correction`, worked out by a child process; StoreError also if it takes longer than the limit."""
    child = Child("meterd.app.operations.preview", limit_s, late="ask for a shorter time")
    return _result_of(child.ask(pickle.dumps(_PreviewRequest(path, site, correction))))


def _result_of(fields: dict[str, Any]) -> CorrectionPreview:
    if "cannot" in fields:
        raise ConfigError(fields["cannot"])
    if "store" in fields:
        raise StoreError(fields["store"])
    return CorrectionPreview(tuple(ChangedFigure(*row) for row in fields["figures"]), tuple(fields["doubtful"]))
