"""`meterd fleet --page`: the sites on one or more brokers as a page, until Ctrl+C or SIGTERM."""

import signal
import socket
import sys
import threading
from collections.abc import Mapping, Sequence
from functools import partial
from ipaddress import ip_address

import uvicorn

from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.web.fleet import FileView, FleetView, SharedView, SiteView, application
from meterd.app.operations.fleet_watch import Fleet, FleetWatch
from meterd.core.errors import PublishError
from meterd.core.topics.fleet_state import Condition, Known, SiteNow

_ORDER = list(Condition)
CLOSE_S, STOP_S = 2, 10.0  # for answers on their way; for all of it


def serve(
    targets: Sequence[tuple[LinkSettings, str]],
    known: Mapping[str, Known],
    listen: str,
    port: int,
    titles: Mapping[str, Mapping[str, str]],
) -> int:
    """Exit code 0 once it is told to end. PublishError if the address cannot be had."""
    family = socket.AF_INET6 if ":" in listen else socket.AF_INET
    try:
        listener = socket.create_server((listen, port), family=family)
    except OSError as exc:
        raise PublishError(f"cannot serve the page at {listen} port {port}: {exc.strerror or exc}; see --port") from exc
    with FleetWatch(targets, known, WallClock().now_ms) as watch:
        config = uvicorn.Config(
            application(lambda: _view(watch.view()), titles), log_config=None, access_log=False, server_header=False, ws="none",
            lifespan="off", proxy_headers=False, timeout_graceful_shutdown=CLOSE_S,
        )  # fmt: skip
        shown = f"[{listen}]" if family is socket.AF_INET6 else listen
        print(f"all sites: http://{shown}:{listener.getsockname()[1]}/ (Ctrl+C ends)", flush=True)
        if not ip_address(listen).is_loopback:
            print("it has no login: everyone who reaches this address sees all sites", file=sys.stderr)
        _run(uvicorn.Server(config), listener)
    return 0


def _run(server: uvicorn.Server, listener: socket.socket) -> None:
    """Serve on a thread, where signals are ours: on the main one the server would end the process by the signal."""
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    worker = Worker("page", partial(server.run, sockets=[listener]))
    worker.start()
    while not stopping.wait(1.0) and worker.alive:
        pass
    server.should_exit = True
    worker.join(STOP_S)


def _view(fleet: Fleet) -> FleetView:
    """Those that need somebody first: by their state, then by their worst finding."""
    sites = sorted(
        fleet.sites, key=lambda site: (_ORDER.index(site.condition), not site.findings, site.site, site.broker)
    )
    shared = [
        SharedView(
            cause=fault.cause, instruments=fault.kind, by=str(fault.by), remedy=fault.remedy, sites=list(fault.sites)
        )
        for fault in fleet.shared
    ]
    files = [
        FileView(name=file.name, judged=str(file.judged), sites=list(file.sites), of=file.of, copies=file.copies)
        for file in fleet.files
    ]
    return FleetView(
        at_ms=fleet.at_ms, sites=[_site(site) for site in sites], shared=shared, files=files, troubles=fleet.troubles
    )


def _site(site: SiteNow) -> SiteView:
    worst = site.findings[0] if site.findings else None
    return SiteView(
        site=site.site, title=site.title, broker=site.broker, state=str(site.condition),
        version=site.version, older_version=site.older,
        heartbeat_age_s=site.age_s, clock_ahead_s=site.clock_s, findings=len(site.findings),
        worst_cause=worst.cause if worst else None,
        worst_text=worst.text if worst else None,
        worst_state=worst.state if worst else None,
        balance=site.balance, production_w=site.production_w, draw_w=site.draw_w,
    )  # fmt: skip
