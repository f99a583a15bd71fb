"""`meterd init --listen`: an empty folder, a broker that already talks, and a daemon that takes what was proposed."""

import json
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from tests.brokers import Mosquitto, until
from tests.docker.test_access import certificates
from tests.faults.mill import Child

Said = pytest.CaptureFixture[str]


def payloads(second: float) -> dict[str, bytes]:
    """What the meters of the mill send: JSON, SenML, plain numbers, pulses, and what is no meter."""
    pack = [{"bn": "studio-03:", "n": "1.8.0", "u": "kWh", "v": 12.5, "bver": 26}, {"n": "power", "u": "W", "v": 1000}]
    ovens = {"time": time.time() - 1, "import_wh": 123_456 + second, "power_w": 3600, "voltage": [230, 231, 229]}
    return {
        "mill/meters/bakery-ovens": json.dumps(ovens).encode(),
        "mill/studio-03": json.dumps(pack).encode(),
        "mill/t1/import": f"{987_654.321 + second:.3f}".encode(),
        "mill/t1/power": b"40000",
        "mill/kiln/pulses": str(1000 + int(second)).encode(),
        "mill/boiler/temperature": b"61.5",
        "mill/office/import": b"12,5",
    }


@contextmanager
def talking(broker: Mosquitto, folder: Path | None = None) -> Iterator[None]:
    """Meters that send ten times a second, half of them in MQTT 3.1.1; with a folder over TLS and with a password."""
    done = threading.Event()

    def send(protocol: paho.MQTTProtocolVersion, part: int) -> None:
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=protocol)
        if folder is not None:
            client.username_pw_set("meter", "of-the-meters")
            client.tls_set(str(folder / "ca.crt"))
        client.connect("localhost" if folder else "127.0.0.1", broker.port)
        client.loop_start()
        begun = time.monotonic()
        while not done.wait(0.1):
            for topic, payload in list(payloads(time.monotonic() - begun).items())[part::2]:
                client.publish(topic, payload, qos=1)
        client.disconnect()
        client.loop_stop()

    versions = (paho.MQTTProtocolVersion.MQTTv5, paho.MQTTProtocolVersion.MQTTv311)
    senders = [threading.Thread(target=send, args=(version, part)) for part, version in enumerate(versions)]
    for sender in senders:
        sender.start()
    try:
        yield
    finally:
        done.set()
        for sender in senders:
            sender.join()


def stored(path: Path) -> set[tuple[str, str]]:
    """Point and register of every reading in a store."""
    if not path.exists():
        return set()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store:
        try:
            rows = store.execute(
                "select distinct point, register from reading join channel on channel.id = channel"
            ).fetchall()
        except sqlite3.OperationalError:
            return set()
    return {(point, register) for point, register in rows}


@pytest.mark.slow
def test_a_daemon_takes_every_reading_of_the_plan_that_was_heard(tmp_path: Path, capsys: Said) -> None:
    """Over TLS, with user and password; the password itself stands nowhere."""
    certificates(tmp_path)
    for path in tmp_path.iterdir():
        path.chmod(0o644)
    subprocess.run(
        ["mosquitto_passwd", "-c", "-b", str(tmp_path / "passwords"), "meter", "of-the-meters"],
        check=True, capture_output=True,
    )  # fmt: skip
    (tmp_path / "passwords").chmod(0o644)
    (tmp_path / "secret").write_text("of-the-meters\n")
    config = f"cafile {tmp_path}/ca.crt\ncertfile {tmp_path}/broker.crt\nkeyfile {tmp_path}/broker.key\n"
    config += f"allow_anonymous false\npassword_file {tmp_path}/passwords\n"
    folder = tmp_path / "mill"
    with Mosquitto(config) as broker, talking(broker, tmp_path):
        command = ["init", str(folder), "--listen", f"mqtts://meter@localhost:{broker.port}/mill/#", "--for", "2s"]
        command += ["--password-file", str(tmp_path / "secret"), "--ca-file", str(tmp_path / "ca.crt"), "--zone", "UTC"]
        assert main(command) == 0, capsys.readouterr().err
        out = capsys.readouterr().out
        assert main(["check", str(folder)]) == 0, capsys.readouterr().out
        site = load_plan(folder).site
        expected = {(row.point, row.register) for row in site.inputs}
        assert len(expected) == 10
        with Child(folder, tmp_path / "s.sqlite") as child:
            assert until(lambda: stored(tmp_path / "s.sqlite") == expected), (
                child.said(),
                stored(tmp_path / "s.sqlite"),
            )
    assert "mill/boiler/temperature: no name says that it is an electrical quantity: 61.5" in out
    assert "mill/office/import: decimal comma; the decimal sign must be a point: 12,5" in out
    inputs = (folder / "inputs.csv").read_text()
    assert "# not read: mill/boiler/temperature" in inputs
    assert "# guessed: unit W" in inputs
    assert "# guessed: pulse_wh 1 (1,000 pulses per kWh)" in (folder / "instruments.csv").read_text()
    assert "role feed, by its name" in (folder / "points.csv").read_text()
    assert not any("of-the-meters" in path.read_text() for path in folder.iterdir())


@pytest.mark.slow
def test_a_list_and_a_broker_together(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "list.csv").write_text("point,title,role\nq1,Bakery ovens,feeder\nq2,Sauna,feeder\n")
    folder = tmp_path / "mill"
    command = ["init", str(folder), "--points", str(tmp_path / "list.csv"), "--zone", "UTC", "--for", "2s", "--listen"]
    with Mosquitto() as broker, talking(broker):
        assert main([*command, f"mqtt://127.0.0.1:{broker.port}/mill/meters/#"]) == 0, capsys.readouterr().err
    states = {point.name: str(point.state) for point in load_plan(folder).site.points}
    assert states == {"q1": "live", "q2": "planned"}
    assert "q2: not heard" in capsys.readouterr().out


@pytest.mark.slow
def test_silence_and_what_is_no_meter_write_nothing(tmp_path: Path, capsys: Said) -> None:
    folder = tmp_path / "mill"
    with Mosquitto() as broker, talking(broker):
        command = ["init", str(folder), "--zone", "UTC", "--for", "1s", "--listen", f"mqtt://127.0.0.1:{broker.port}"]
        assert main([*command[:-1], f"{command[-1]}/nothing/#"]) == 1
        assert "nothing came on nothing/#" in capsys.readouterr().err
        assert main([*command[:-1], f"{command[-1]}/mill/boiler/#"]) == 1
        assert "nothing of it is understood, and nothing is written" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("more", "text"),
    [
        ([], "say where the points come from: --points LIST, --listen mqtt://HOST:PORT or --scan"),
        (["--listen", "mqtt://127.0.0.1:1/mill/#/x"], "filter mill/#/x: # stands only at the end"),
        (["--listen", "mqtt://127.0.0.1:1/mill/q+"], "filter mill/q+: + stands for a whole level"),
        (["--listen", "mqtt://127.0.0.1:1", "--for", "soon"], "cannot use --for soon"),
        (["--listen", "mqtt://127.0.0.1:1", "--source", "mqtt"], "--source is for a list alone"),
        (["--ca-file", "x", "--points", "list.csv"], "--ca-file is for --listen"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, capsys: Said, more: list[str], text: str) -> None:
    assert main(["init", str(tmp_path / "mill"), "--zone", "UTC", *more]) == 2
    assert text in capsys.readouterr().err
