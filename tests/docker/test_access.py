"""The broker configuration that is shipped: what must fail fails, over TLS, at a real broker."""

import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from tests.brokers import Mosquitto, until

DOCKER = Path(__file__).parents[2] / "docker"
USERS = {"meterd": "secret-m", "controller": "secret-c", "bakery-ovens": "secret-b"}
pytestmark = pytest.mark.slow


def openssl(folder: Path, *texts: str) -> None:
    """Run openssl in a folder."""
    subprocess.run(["openssl", *texts], cwd=folder, check=True, capture_output=True, timeout=60)


def certificates(folder: Path) -> None:
    """A private authority and a certificate for localhost, as a site would make them."""
    openssl(folder, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.crt", "-days", "30",
            "-subj", "/CN=Harrow Mill test authority")  # fmt: skip
    openssl(folder, "req", "-newkey", "rsa:2048", "-nodes", "-keyout", "broker.key", "-out", "broker.csr",
            "-subj", "/CN=localhost")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    openssl(folder, "x509", "-req", "-in", "broker.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days",
            "30", "-out", "broker.crt", "-extfile", "names")  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Mosquitto, Path]]:
    """The shipped broker configuration with its paths turned to a folder of this test."""
    folder = tmp_path_factory.mktemp("broker")
    certificates(folder)
    for user, password in USERS.items():
        create = [] if (folder / "passwords").exists() else ["-c"]
        command = ["mosquitto_passwd", *create, "-b", str(folder / "passwords"), user, password]
        subprocess.run(command, check=True, capture_output=True)
    (folder / "access.acl").write_text((DOCKER / "access.acl").read_text())
    for path in folder.iterdir():
        path.chmod(0o644)
    lines = (
        (DOCKER / "mosquitto.conf")
        .read_text()
        .replace("/tls/", f"{folder}/")
        .replace("/mosquitto/config/", f"{folder}/")
    )
    stored = [line for line in lines.splitlines() if not line.startswith(("listener", "persistence", "autosave"))]
    with Mosquitto("\n".join(stored)) as broker:
        yield broker, folder


class Person:
    """A plain client with a name, over TLS with the server name checked."""

    def __init__(
        self, broker: Mosquitto, folder: Path, user: str, password: str | None = None, *, will: str = ""
    ) -> None:
        self.got: list[str] = []
        self.reason = ""
        self._connected, self._subscribed = threading.Event(), threading.Event()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.tls_set(str(folder / "ca.crt"), cert_reqs=ssl.CERT_REQUIRED)
        client.username_pw_set(user, password or USERS[user])
        if will:
            client.will_set(will, b"1", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = lambda _c, _u, message: self.got.append(message.topic)
        client.connect("localhost", broker.port)
        client.loop_start()
        self._connected.wait(5)
        self.client = client

    def _on_connect(
        self, _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _props: Properties | None
    ) -> None:
        self.reason = str(reason)
        self._connected.set()

    def hear(self, *filters: str) -> None:
        """Subscribe, and wait until the broker has taken note."""
        self.client.subscribe([(item, 1) for item in filters])
        assert self._subscribed.wait(5)

    def send(self, topic: str) -> None:
        """One retained-free QoS 1 message, confirmed."""
        self.client.publish(topic, b"1", qos=1).wait_for_publish(5)

    def vanish(self) -> None:
        """Be cut off without a word, so that the will is sent."""
        made = self.client.socket()
        assert isinstance(made, socket.socket)
        made.shutdown(socket.SHUT_RDWR)
        self.client.loop_stop()

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


ATTEMPTS = [
    # who writes, where, whether anybody gets it
    ("bakery-ovens", "mill/meters/bakery-ovens", True),
    ("bakery-ovens", "mill/meters/cold-store", False),
    ("bakery-ovens", "energy/harrow-mill/pv/surplus/plain", False),
    ("controller", "energy/harrow-mill/share/studio-01-heater/plain", False),
    ("controller", "mill/meters/bakery-ovens", False),
    ("meterd", "energy/harrow-mill/pv/surplus/plain", True),
    ("meterd", "mill/meters/bakery-ovens", False),
]


@pytest.mark.parametrize(("user", "topic", "passes"), ATTEMPTS)
def test_only_who_may_write_a_topic_reaches_it(
    site: tuple[Mosquitto, Path], user: str, topic: str, *, passes: bool
) -> None:
    """Meters write only their own input, controllers write nothing, the daemon alone writes derived values."""
    reader = Person(*site, "meterd")
    reader.hear("mill/meters/#", "energy/harrow-mill/#")
    writer = Person(*site, user)
    writer.send(topic)
    writer.send(f"mill/meters/{user}") if user == "bakery-ovens" else Person(*site, "meterd").send(
        "energy/harrow-mill/end"
    )
    assert until(lambda: reader.got and reader.got[-1] in (f"mill/meters/{user}", "energy/harrow-mill/end"), 5)
    assert (topic in reader.got) is passes
    reader.close()
    writer.close()


def test_a_meter_reads_nothing(site: tuple[Mosquitto, Path]) -> None:
    """What a meter subscribes to never arrives."""
    meter = Person(*site, "bakery-ovens")
    meter.hear("#")
    daemon, controller = Person(*site, "meterd"), Person(*site, "controller")
    controller.hear("energy/harrow-mill/#")
    daemon.send("energy/harrow-mill/pv/surplus/plain")
    assert until(lambda: controller.got, 5)
    assert meter.got == []
    for person in (meter, daemon, controller):
        person.close()


def test_a_last_will_goes_by_the_same_rules(site: tuple[Mosquitto, Path]) -> None:
    """A meter cannot leave a surplus behind by dying; what it may write itself comes through."""
    daemon = Person(*site, "meterd")
    daemon.hear("mill/meters/#", "energy/harrow-mill/#")
    for topic in ("energy/harrow-mill/pv/surplus/plain", "mill/meters/bakery-ovens"):
        Person(*site, "bakery-ovens", will=topic).vanish()
        time.sleep(0.1)  # one after the other
    assert until(lambda: "mill/meters/bakery-ovens" in daemon.got, 5)
    assert "energy/harrow-mill/pv/surplus/plain" not in daemon.got
    daemon.close()


def test_wrong_password_is_refused(site: tuple[Mosquitto, Path]) -> None:
    """No anonymous access and no guessing."""
    person = Person(*site, "meterd", "wrong")
    assert person.reason == "Not authorized"
    person.close()


def link_of(site: tuple[Mosquitto, Path], **changes: object) -> LinkSettings:
    """Our own link to the broker of the test."""
    broker, folder = site
    settings = LinkSettings(
        client_id="t", host="localhost", port=broker.port, username="meterd", password=USERS["meterd"], tls=True,
        ca_file=str(folder / "ca.crt"), session_expiry_s=0,
    )  # fmt: skip
    return replace(settings, **changes)  # type: ignore[arg-type]


def test_our_link_connects_over_tls_with_password(site: tuple[Mosquitto, Path]) -> None:
    """The daemon's own link takes the authority file and the password."""
    with Link(link_of(site)) as link:
        assert until(link.connected, 5)


# paho-mqtt 2.2.0 leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    "changes", [{"host": "127.0.0.1"}, {"ca_file": ""}], ids=["other server name", "unknown authority"]
)
def test_our_link_refuses_a_server_it_cannot_verify(site: tuple[Mosquitto, Path], changes: dict[str, object]) -> None:
    """The server name is checked, and so is who signed the certificate."""
    with Link(link_of(site, **changes)) as link:
        assert until(lambda: link.state().counters.connect_failures > 0, 8)
        assert not link.connected()
        assert "certificate" in link.state().last_error.lower()
