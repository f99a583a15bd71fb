"""The stream of server-sent events: what changes by itself on an open page. Made once, sent to all who listen."""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Annotated

from fastapi import Depends, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse

from meterd.page import Viewer
from meterd.page.asking import MOST_STREAMS, MOST_STREAMS_EACH, Office, needs, office_of, viewer_of
from meterd.snapshot import Snapshot

EVERY_S = 2.0  # a person does not read faster, and fifty browsers cost little
SILENT_S = 15.0  # a comment after so long a silence, so that a dead line is noticed


class Teller:
    """The newest picture as one event. All listeners share it."""

    def __init__(self) -> None:
        self._made: tuple[int, bytes] = (0, b"")

    def event(self, snapshot: Snapshot) -> bytes:
        """The event of a picture; the same bytes while the picture is the same."""
        if self._made[0] != id(snapshot):
            body = json.dumps(figures(snapshot), separators=(",", ":"), allow_nan=False)
            self._made = (id(snapshot), f"event: now\nid: {snapshot.now_ms}\ndata: {body}\n\n".encode())
        return self._made[1]


_TELLER = Teller()


def figures(snapshot: Snapshot) -> dict[str, object]:
    """What an open page keeps up to date: site sums in W, verdicts of the boards, how many findings are open."""
    powers = {
        "draw": snapshot.draw.power_w, "load": snapshot.load.power_w, "production": snapshot.production.power_w,
        "surplus": snapshot.surplus.power_w, "self_use": snapshot.self_use.power_w, "demand": snapshot.demand.power_w,
        "projection": snapshot.demand_projection.power_w,
        "allowed": None if snapshot.demand_allowed is None else snapshot.demand_allowed.power_w,
        "export": exported(snapshot),
    }  # fmt: skip
    return {
        "at": snapshot.now_ms,
        "power": {key: None if watt is None else round(watt) for key, watt in powers.items()},
        "state": state(snapshot),
        "shares": {name: share.power_w for name, share in snapshot.shares.items()},
    }


def exported(snapshot: Snapshot) -> float | None:
    """Power that goes out at the connection in W; None while the draw is missing."""
    draw = snapshot.draw.power_w
    return None if draw is None else max(0.0, -draw)


def state(snapshot: Snapshot) -> dict[str, str | int]:
    """On what answers rest: a sheet that names some of these in `data-watch` is asked for again when one differs.

    `findings` how many are open, `closed` the end of the newest closed interval, `demand` the verdict on the running one,
    `surplus` its state.
    """
    projected, contract = snapshot.demand_projection.power_w, snapshot.site.limits.contracted_w
    return {
        "findings": len(snapshot.findings),
        "closed": max((board.end_ms for board in snapshot.closed.values()), default=0),
        "demand": "unknown"
        if projected is None or contract is None
        else "inside"
        if projected <= contract
        else "outside",
        "surplus": str(snapshot.surplus.state),
    }


async def stream(
    request: Request,
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    _gate: Annotated[None, Depends(needs(Viewer().role))],
) -> Response:
    """Events until the browser goes away or the daemon ends."""
    address = request.client.host if request.client else ""
    here = office.streams.get(address, 0)
    if here >= MOST_STREAMS_EACH or sum(office.streams.values()) >= MOST_STREAMS:
        return JSONResponse(
            {"detail": "too many open pages; close one"}, status_code=503, headers={"retry-after": "30"}
        )
    office.streams[address] = here + 1
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(_events(office, address), media_type="text/event-stream", headers=headers)


async def _events(office: Office, address: str) -> AsyncIterator[bytes]:
    last: Snapshot | None = None
    said = time.monotonic()
    try:
        yield b"retry: 5000\n\n"
        while True:
            snapshot = office.desk.snapshot()
            now = time.monotonic()
            if snapshot is not None and snapshot is not last:
                last, said = snapshot, now
                yield _TELLER.event(snapshot)
            elif now - said >= SILENT_S:
                said = now
                yield b": still here\n\n"
            with suppress(TimeoutError):
                await asyncio.wait_for(office.closing.wait(), EVERY_S)
                return
    finally:
        left = office.streams.get(address, 1) - 1
        if left > 0:
            office.streams[address] = left
        else:
            office.streams.pop(address, None)
