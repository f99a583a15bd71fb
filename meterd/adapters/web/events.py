"""The stream of server-sent events: what changes by itself on an open page. Made once for all who may see the same."""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Annotated
from zlib import crc32

from fastapi import Depends, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.request_context import (
    MOST_STREAMS,
    MOST_STREAMS_EACH,
    RequestContext,
    context_of,
    needs,
    viewer_of,
)
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot

EVERY_S = 2.0  # a person does not read faster, and fifty browsers cost little
SILENT_S = 15.0  # a comment after so long a silence, so that a dead line is noticed


class EventCache:
    """The newest snapshot as one event for each set of shares that somebody may see. Listeners share them."""

    def __init__(self) -> None:
        self._of: Snapshot | None = None
        self._made: dict[frozenset[str], bytes] = {}

    def event(self, snapshot: Snapshot, shares: frozenset[str]) -> bytes:
        """The event of a snapshot with the shares of these consumers; the same bytes while the snapshot is the same."""
        if self._of is not snapshot:
            self._of, self._made = snapshot, {}
        if shares not in self._made:
            body = json.dumps(figures(snapshot, shares), separators=(",", ":"), allow_nan=False)
            self._made[shares] = f"event: now\nid: {snapshot.now_ms}\ndata: {body}\n\n".encode()
        return self._made[shares]


_EVENTS = EventCache()


def shares_for(viewer: Viewer, site: Site) -> frozenset[str]:
    """The consumers whose shares are for this viewer: that of a single room tells whether somebody is in it."""
    return frozenset(
        consumer.name for consumer in site.consumers if consumer.point is None or viewer.sees(consumer.point, site)
    )


def figures(snapshot: Snapshot, shares: frozenset[str]) -> dict[str, object]:
    """What an open page keeps up to date: site sums in W, on what answers rest, and the shares of these consumers."""
    powers = {
        "draw": snapshot.draw.power_w, "load": snapshot.load.power_w, "production": snapshot.production.power_w,
        "surplus": snapshot.surplus.power_w, "self_use": snapshot.self_use.power_w, "demand": snapshot.demand.power_w,
        "projection": None if snapshot.demand_outlook is None else snapshot.demand_outlook.middle_w,
        "allowed": None if snapshot.demand_allowed is None else snapshot.demand_allowed.power_w,
        "export": exported(snapshot),
    }  # fmt: skip
    return {
        "at": snapshot.now_ms,
        "power": {key: None if watt is None else round(watt) for key, watt in powers.items()},
        "state": state(snapshot),
        "shares": {name: share.power_w for name, share in snapshot.shares.items() if name in shares},
    }


def exported(snapshot: Snapshot) -> float | None:
    """Power that goes out at the connection in W; None while the draw is missing."""
    draw = snapshot.draw.power_w
    return None if draw is None else max(0.0, -draw)


def state(snapshot: Snapshot) -> dict[str, str | int]:
    """On what answers rest: a page that names some of these in `data-watch` is asked for again when one differs.

    `findings` how many are open, `finding_set` a digest of which, in which state,
    `closed` the end of the newest closed interval, `heard` how many points have sent a value,
    `demand` the warning of the running interval, `surplus` its state, `look` whether the drift watch has looked.
    """
    return {
        "findings": len(snapshot.findings),
        "finding_set": crc32(repr(sorted((finding.id, _life(finding)) for finding in snapshot.findings)).encode()),
        "closed": max((board.end_ms for board in snapshot.closed.values()), default=0),
        "heard": len({point for table in (snapshot.counters, snapshot.instant) for point, _ in table}),
        "demand": str(snapshot.demand_warning or "unknown"),
        "surplus": str(snapshot.surplus.state),
        "look": str(snapshot.drift_look),
    }


def _life(finding: Finding) -> str:
    return "" if finding.life is None else str(finding.life.state)


async def stream(
    request: Request,
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    _gate: Annotated[None, Depends(needs(Viewer().role))],
) -> Response:
    """Events until the browser goes away or the daemon ends."""
    address = request.client.host if request.client else ""
    here = context.streams.get(address, 0)
    if here >= MOST_STREAMS_EACH or sum(context.streams.values()) >= MOST_STREAMS:
        return JSONResponse(
            {"detail": "too many open pages; close one"}, status_code=503, headers={"retry-after": "30"}
        )
    context.streams[address] = here + 1
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    who = Listener(viewer, request.cookies.get(context.session_cookie, ""))
    return StreamingResponse(_events(context, address, who), media_type="text/event-stream", headers=headers)


@dataclass(frozen=True, slots=True)
class Listener:
    """Who listens, and the secret of the session by which we know."""

    viewer: Viewer
    secret: str

    def left(self, context: RequestContext) -> bool:
        """Whether it is not this viewer any more: logged out, removed, or with another role."""
        session = context.sessions.peek(self.secret)
        now = ("", UserRole.OPEN) if session is None else (session.user, session.role)
        return now != (self.viewer.name, self.viewer.role)


async def _events(context: RequestContext, address: str, who: Listener) -> AsyncIterator[bytes]:
    last: Snapshot | None = None
    text = time.monotonic()
    try:
        yield b"retry: 5000\n\n"
        while not who.left(context):  # the browser comes again as whoever it is then
            snapshot = context.backend.snapshot()
            now = time.monotonic()
            if snapshot is not None and snapshot is not last:
                last, text = snapshot, now
                yield _EVENTS.event(snapshot, shares_for(who.viewer, context.backend.site))
            elif now - text >= SILENT_S:
                text = now
                yield b": still here\n\n"
            with suppress(TimeoutError):
                await asyncio.wait_for(context.closing.wait(), EVERY_S)
                return
    finally:
        left = context.streams.get(address, 1) - 1
        if left > 0:
            context.streams[address] = left
        else:
            context.streams.pop(address, None)
