"""A broker on the command line: `mqtt://USER@HOST:PORT/FILTER` and where its password and certificates are."""

import argparse
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from meterd.core.errors import ConfigError

_ADDRESS = re.compile(
    r"(mqtts?)://(?:([^@/]*)@)?(\[[0-9A-Fa-f:.%]+\]|[^/:@\[\]\s]+)(?::([0-9]{1,5}))?(?:/(.*))?", re.DOTALL
)
PORTS = {"mqtt": 1883, "mqtts": 8883}
EXAMPLE = "write mqtt://HOST:PORT/FILTER, such as mqtt://10.0.0.5:1883/mill/#"
FILE_OPTIONS = ("password_file", "ca_file", "cert_file", "key_file")


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Keys of `[broker]`, as the plan has them, and the filter or topic behind the address."""

    keys: dict[str, str | int | bool]
    topic: str

    @property
    def shown(self) -> str:
        """For messages."""
        return f"{self.keys['host']}:{self.keys['port']}"


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options beside an address of a broker; secrets never stand on a command line."""
    parser.add_argument("--password-env", metavar="NAME", help="environment variable with the broker's password")
    parser.add_argument("--password-file", metavar="FILE", help="file with the broker's password")
    parser.add_argument("--ca-file", metavar="FILE", help="authorities for mqtts://; default: the system's")
    parser.add_argument("--cert-file", metavar="FILE", help="client certificate for mqtts://")
    parser.add_argument("--key-file", metavar="FILE", help="its key")


def refuse_options(arguments: argparse.Namespace, option: str) -> None:
    """ConfigError for an option of a broker where none is named."""
    for name in ("password_env", *FILE_OPTIONS):
        if getattr(arguments, name) is not None:
            raise ConfigError(f"--{name.replace('_', '-')} is for {option}, which is not given")


def broker_of(text: str, arguments: argparse.Namespace, option: str) -> BrokerAddress:
    """The broker and the topic of an address with its options. ConfigError says what would be right."""
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise ConfigError(f"{option} {text}: no address of a broker; {EXAMPLE}")
    scheme, user, host, port, topic = match.groups()
    if user is not None and ":" in user:
        raise ConfigError(
            f"{option}: a password on the command line can be read by everybody on this machine; write"
            f" {scheme}://{user.partition(':')[0]}@{host} and --password-env or --password-file"
        )
    number = int(port) if port else PORTS[scheme]
    if not 0 < number < 65_536:
        raise ConfigError(f"{option} {text}: port {port} is none; it is a number from 1 to 65535")
    keys: dict[str, str | int | bool] = {"host": host.strip("[]"), "port": number}
    if user:
        keys["username"] = user
    if scheme == "mqtts":
        keys["tls"] = True
    keys.update(_options(arguments, option, tls=scheme == "mqtts"))
    return BrokerAddress(keys, topic or "")


def _options(arguments: argparse.Namespace, option: str, *, tls: bool) -> Iterator[tuple[str, str]]:
    if arguments.password_env and arguments.password_file:
        raise ConfigError("--password-env and --password-file: the password has two places; give one")
    if arguments.password_env:
        yield "password_env", arguments.password_env
    for name in FILE_OPTIONS:
        value = getattr(arguments, name)
        if value is None:
            continue
        if name != "password_file" and not tls:
            raise ConfigError(f"--{name.replace('_', '-')} is for TLS: write mqtts:// in {option}")
        yield name, str(Path(value).resolve())


def filter_fault(topic_filter: str) -> str | None:
    """What is wrong with a filter; None if nothing.

    >>> filter_fault("mill/+/power"), filter_fault("mill/#/power")
    (None, '# stands only at the end, as in mill/#')
    """
    levels = topic_filter.split("/")
    if any("#" in level for level in levels[:-1]) or (len(levels[-1]) > 1 and "#" in levels[-1]):
        return "# stands only at the end, as in mill/#"
    if any("+" in level and level != "+" for level in levels):
        return "+ stands for a whole level, as in mill/+/power"
    return None
