"""The options of an MQTT source, apart from its client: who checks a plan needs no network library."""

from dataclasses import asdict, dataclass
from typing import Literal

from meterd.adapters.mqtt.settings import WEEK_S, LinkSettings
from meterd.adapters.runtime.secret import secret
from meterd.adapters.sources import PAYLOAD_LIMIT, settings_from
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Options of an MQTT source; where nothing is written the plan's broker is used."""

    protocol: Literal["mqtt"] = "mqtt"
    host: str = "localhost"
    port: int = 1883
    client_id: str = ""  # empty = "meterd-<site>-<source>": must stay the same, the broker keeps the session under it
    username: str = ""
    password_env: str = ""
    password_file: str = ""
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    time_unit: str = "s"  # of device times that are numbers: s, ms, us or ns
    keep_alive_s: int = 15
    session_expiry_s: int = WEEK_S
    receive_maximum: int = 1000
    payload_limit: int = PAYLOAD_LIMIT
    inbox_limit: int = 10_000  # messages between network and decoding: 10 s of the largest site
    rate_limit: int = 5000  # messages per second taken from the inbox; beyond it the broker is slowed down


def settings_for(row: SourceRow, site: Site) -> MqttSettings:
    """The options of a source over those of the plan's broker. ConfigError names every fault."""
    # a source with a host of its own must not hand that host the credentials of the plan's broker
    own = any(name == "host" for name, _ in row.options)
    broker = {} if own else {name: value for name, value in asdict(site.broker).items() if name != "client_id"}
    settings = settings_from(MqttSettings, row, {**broker, "client_id": f"meterd-{site.name}-{row.name}"})
    for name in ("keep_alive_s", "receive_maximum", "payload_limit", "inbox_limit", "rate_limit", "port"):
        if getattr(settings, name) < 1:
            raise ConfigError(f"source {row.name}: option {name} must be at least 1")
    if settings.receive_maximum > 65_535 or settings.keep_alive_s > 65_535 or settings.port > 65_535:
        raise ConfigError(f"source {row.name}: port, keep_alive_s and receive_maximum are at most 65535")
    return settings


def link_settings(settings: MqttSettings) -> LinkSettings:
    """The same for the link, with the password from the environment or its file."""
    return LinkSettings(
        client_id=settings.client_id,
        host=settings.host,
        port=settings.port,
        username=settings.username,
        password=secret(settings.password_env, settings.password_file, "the broker's password"),
        tls=settings.tls,
        ca_file=settings.ca_file,
        cert_file=settings.cert_file,
        key_file=settings.key_file,
        keep_alive_s=settings.keep_alive_s,
        session_expiry_s=settings.session_expiry_s,
        receive_maximum=settings.receive_maximum,
        payload_limit=settings.payload_limit,
    )
