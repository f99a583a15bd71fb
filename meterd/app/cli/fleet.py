"""`meterd fleet` and `meterd health`: how several sites are, by their brokers; how one daemon is, by its page."""

import argparse
import http.client
import json
import queue
import secrets
import ssl
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.sources.mqtt_settings import MqttSettings, link_settings, settings_for
from meterd.adapters.texts.wording import titles_of
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import terminal
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site, Source
from meterd.core.topics.fleet import SiteRow, as_fields, differing, site_rows
from meterd.core.topics.fleet_state import known_of
from meterd.core.topics.shared_files import differing_files

DONE, FAILED = 0, 1
QUIET_S = 0.5  # retained messages come in one burst after the subscription: this long a silence ends it
CONNECT_S = 5.0
PREFIX = "energy"
LISTEN, PORT = ip_address("127.0.0.1"), 8490
Target = tuple[LinkSettings, str]  # broker, prefix


def add(commands: Subparsers) -> None:
    """Both commands and their options."""
    fleet = command(commands, "fleet", run_fleet, plan="", formats=("table", "json"))
    fleet.add_argument(
        "brokers", nargs="+", metavar="PLAN_OR_BROKER", help="a plan, or HOST[:PORT][/PREFIX] (default prefix: energy)"
    )
    fleet.add_argument("--username", default="", metavar="NAME", help="for brokers given as HOST")
    fleet.add_argument("--password-file", default="", metavar="FILE", help="the same")
    fleet.add_argument("--tls", action="store_true", help="the same")
    fleet.add_argument("--ca-file", default="", metavar="FILE", help="the same; default: the system's authorities")
    fleet.add_argument("--page", action="store_true", help="serve a page of all sites until Ctrl+C")
    fleet.add_argument("--listen", type=ip_address, default=LISTEN, metavar="ADDRESS", help=f"of the page: {LISTEN}")
    fleet.add_argument("--port", type=int, default=PORT, metavar="N", help=f"of the page: {PORT}; 0: any that is free")
    health = command(commands, "health", run_health, plan="")
    health.add_argument("where", metavar="PLAN_OR_URL", help="a plan with [page], or http://127.0.0.1:8480/health")
    health.add_argument("--ready", action="store_true", help="also whether it reads, stores and publishes")
    health.add_argument("--format", choices=("line", "json"), default="line", help="default: line")


# -- the fleet ---------------------------------------------------------------------------------------------------------


def run_fleet(arguments: argparse.Namespace) -> int:
    """Exit code 1 if a broker cannot be reached, has no site, or a site is not live."""
    sites = {text: load_plan(Path(text)).site for text in arguments.brokers if Path(text).exists()}
    asked = [_of_plan(sites[text]) if text in sites else _target(text, arguments) for text in arguments.brokers]
    if arguments.page:
        return _serve(asked, sites.values(), arguments)
    rows: list[tuple[str, SiteRow]] = []
    troubles: list[str] = []
    for settings, prefix in asked:
        broker = f"{settings.host}:{settings.port}"
        payloads = _retained(settings, prefix)
        now_ms = WallClock().now_ms()
        here = [] if isinstance(payloads, str) else site_rows(prefix, payloads, now_ms)
        rows += [(broker, row) for row in here]
        if isinstance(payloads, str):
            troubles.append(f"{broker}: {payloads}")
        elif not here:
            troubles.append(f"{broker}: no site below {prefix}/; is the prefix right, and may this client read there?")
    files = differing_files((row.site, row.files) for _, row in rows)
    if arguments.format == "json":
        fields = [as_fields(row, broker, now_ms) for broker, row in rows]
        reported = {"sites": fields, "files": [asdict(file) for file in files], "troubles": troubles}
        sys.stdout.write(json.dumps(reported, indent=1) + "\n")
    else:
        _print(rows, [*differing([row for _, row in rows]), *(file.words for file in files)])
        for text in troubles:
            print(text, file=sys.stderr)
    return FAILED if troubles or not all(row.well for _, row in rows) else DONE


def _serve(asked: Sequence[Target], sites: Iterable[Site], arguments: argparse.Namespace) -> int:
    """The page; plans that share a broker and a prefix need one connection."""
    from meterd.app.cli.fleet_page import serve

    if not 0 <= arguments.port < 65_536:
        raise ConfigError(f"--port {arguments.port} is no port; write 1 to 65535, or 0 for any that is free")
    targets = {
        (settings.host, settings.port, settings.username, prefix): (settings, prefix) for settings, prefix in asked
    }
    plans = list(sites)
    known = {site.name: known_of(site, WallClock().now_ms()) for site in plans}
    titles = {site.name: titles_of(site) for site in plans}
    return serve(list(targets.values()), known, str(arguments.listen), arguments.port, titles)


def _name() -> str:
    return f"meterd-fleet-{secrets.token_hex(4)}"


def _of_plan(site: Site) -> Target:
    """The broker of a plan, with its secrets."""
    settings = link_settings(settings_for(Source("fleet", "mqtt", (("client_id", _name()),)), site))
    return replace(settings, session_expiry_s=0), site.prefix


def _target(text: str, arguments: argparse.Namespace) -> Target:
    """How to reach a broker that is no plan, and below which prefix its sites are."""
    address, _, prefix = text.partition("/")
    try:
        parts = urlsplit(f"//{address}")
        host, port = parts.hostname, parts.port or (8883 if arguments.tls else 1883)
    except ValueError as exc:
        raise ConfigError(f"cannot read {text}: {exc}; write HOST, HOST:PORT or HOST:PORT/PREFIX") from exc
    if not host:
        raise ConfigError(f"cannot read {text}: no such plan and no host; write HOST, HOST:PORT or HOST:PORT/PREFIX")
    options = MqttSettings(
        host=host,
        port=port,
        client_id=_name(),
        username=arguments.username,
        password_file=arguments.password_file,
        tls=arguments.tls,
        ca_file=arguments.ca_file,
        session_expiry_s=0,
    )
    return link_settings(options), prefix or PREFIX


def _retained(settings: LinkSettings, prefix: str) -> dict[str, bytes] | str:
    """What the broker keeps of all sites below the prefix; or why it cannot be asked."""
    inbox = MessageQueue(100_000)
    with Link(settings, topics=(f"{prefix}/+/service", f"{prefix}/+/finding/+"), inbox=inbox) as link:
        deadline = time.monotonic() + CONNECT_S
        while not link.state().subscribed:
            if time.monotonic() > deadline or link.state().refused_topics:
                refused = ", ".join(f"{topic}: {why}" for topic, why in link.state().refused_topics)
                return f"cannot be asked: {refused or link.state().last_error or 'it does not answer'}"
            time.sleep(0.02)
        results: dict[str, bytes] = {}
        while True:
            try:
                message = inbox.get(timeout=QUIET_S)
            except queue.Empty:
                return results
            if message.payload:
                results[message.topic] = message.payload
            else:
                results.pop(message.topic, None)
            link.ack(message.token)
            if time.monotonic() > deadline + CONNECT_S:
                return results


def _print(rows: list[tuple[str, SiteRow]], differing: list[str]) -> None:
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    titled = any(row.title for _, row in rows)
    for name in (
        "site",
        *(("title",) if titled else ()),
        "broker",
        "state",
        "version",
        "zone rules",
        "epoch",
        "heartbeat",
        "open findings",
    ):
        table.add_column(name, justify="right" if name in ("epoch", "heartbeat", "open findings") else "left")
    for broker, row in rows:
        cells = (
            row.site,
            *((row.title,) if titled else ()),
            broker,
            row.living,
            row.version,
            row.zone_rules,
            _whole(row.epoch),
            _age(row.age_s),
            str(row.findings),
        )
        table.add_row(*(escape(_shown(cell)) for cell in cells))
    console = terminal()
    console.print(table)
    for text in differing:
        console.print(escape(_shown(text)))


def _shown(texts: str) -> str:
    """Words of another program: nothing in them may move the cursor."""
    return "".join(letter if letter.isprintable() else "?" for letter in texts)


def _whole(value: int | None) -> str:
    return "" if value is None else str(value)


def _age(seconds: float | None) -> str:
    if seconds is None:
        return ""
    return (
        f"{seconds:.0f} s"
        if seconds < 600
        else f"{seconds / 60:.0f} min"
        if seconds < 36_000
        else f"{seconds / 3600:.0f} h"
    )


# -- one daemon --------------------------------------------------------------------------------------------------------


def run_health(arguments: argparse.Namespace) -> int:
    """Exit code 1 if nothing answers or the answer is no."""
    address = arguments.where if "://" in arguments.where else _address(Path(arguments.where))
    try:
        fields = _answer(address)
    except (OSError, ValueError) as exc:
        print(f"{address}: no answer: {getattr(exc, 'reason', exc)}", file=sys.stderr)
        return FAILED
    verdicts = [fields["alive"], *([fields["ready"]] if arguments.ready else [])]
    reasons = [reason for verdict in verdicts for reason in verdict["reasons"]]
    if arguments.format == "json":
        sys.stdout.write(json.dumps(fields, indent=1) + "\n")
    else:
        text = "; ".join(dict.fromkeys(reasons)) or ("ready" if arguments.ready else "alive")
        print(f"{fields['site']}: {text}, version {fields['versions']['meterd']}")
    return DONE if all(verdict["ok"] for verdict in verdicts) else FAILED


def _address(path: Path) -> str:
    page = load_plan(path).site.page
    if not page.port:
        raise ConfigError(f"{path} has no page: write [page] with port = 8480 into site.toml")
    listen = page.listen
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(listen, f"[{listen}]" if ":" in listen else listen)
    return f"{'https' if page.cert_file else 'http'}://{host}:{page.port}/health"


def _answer(address: str) -> dict[str, Any]:
    """The answer; this machine's daemon is asked by TLS where it speaks that: the check of a container knows no certificate."""
    try:
        return _ask(address)
    except (OSError, http.client.HTTPException):
        parts = urlsplit(address)
        if parts.scheme != "http" or not _is_loopback(parts.hostname or ""):
            raise
        return _ask(parts._replace(scheme="https").geturl())


def _ask(address: str) -> dict[str, Any]:
    """The answer, also one with code 503; OSError or ValueError if there is none."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https"):
        raise ConfigError(f"cannot ask {address}: write http:// or https://")
    context = ssl.create_default_context()
    if parts.hostname == "localhost" or _is_loopback(parts.hostname or ""):
        context.check_hostname, context.verify_mode = (
            False,
            ssl.CERT_NONE,
        )  # this machine; its certificate names another
    straight = urllib.request.build_opener(  # a proxy of the environment is for the world outside
        urllib.request.ProxyHandler({}), urllib.request.HTTPSHandler(context=context)
    )
    try:
        with straight.open(address, timeout=CONNECT_S) as answer:
            body = answer.read(1_000_000)
    except urllib.error.HTTPError as exc:
        if exc.code != 503:
            raise
        body = exc.read(1_000_000)
    result = json.loads(body)
    if not isinstance(result, dict) or not {"site", "alive", "ready", "versions"} <= result.keys():
        raise ValueError("what answers is not a daemon of this program")
    return result


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
