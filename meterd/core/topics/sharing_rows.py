"""Rows of the table of derived values for consumers: their shares, and the numbers for those without one."""

from collections.abc import Callable

from meterd.core.model.plan import Site
from meterd.core.model.snapshot import SharingNow, Snapshot
from meterd.core.topics.definition import MISSING, Each, Row, RowValue, TimeBasis


def _share(snapshot: Snapshot, consumer: str) -> RowValue:
    share = snapshot.shares.get(consumer)
    if share is None:
        return MISSING
    return RowValue(share.power_w, share.at_ms, share.state, every_ms=share.every_ms)


def _of_sharing(pick: Callable[[SharingNow], float | int]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, _: str) -> RowValue:
        now = snapshot.sharing
        return MISSING if now is None else RowValue(pick(now), now.at_ms, now.state, every_ms=now.every_ms)

    return take


def _sharing_consumers(site: Site) -> tuple[str, ...]:
    # off and shadow publish nothing: a topic that says 0 would be obeyed
    return tuple(c.name for c in site.consumers) if site.sharing.mode == "on" else ()


def _with_sharing(site: Site) -> tuple[str, ...]:
    return ("",) if _sharing_consumers(site) else ()


def sharing_rows() -> tuple[Row, ...]:
    """The rows, present only where shares are published."""

    def number(name: str, unit: str, meaning: str, pick: Callable[[SharingNow], float | int]) -> Row:
        return Row(
            f"sharing/{name}", unit, meaning, Each.SITE, TimeBasis.NOW, _of_sharing(pick), _with_sharing, fallback=0
        )

    share = "Power that this consumer may take from the surplus now; 0 means off, within its own minimum times."
    return (
        Row("share/{consumer}", "W", share, Each.CONSUMER, TimeBasis.NOW, _share, _sharing_consumers, fallback=0),
        number(
            "count",
            "count",
            "Controllers that may react to the surplus now, for those without a share.",
            lambda s: s.count,
        ),
        number(
            "gain", "/", "Part of the surplus by which each of them may change its power per sample.", lambda s: s.gain
        ),
        number(
            "probability",
            "/",
            "Chance per sample with which a waiting on/off load may switch on.",
            lambda s: s.probability,
        ),
    )
