"""A topic is listened to until something new comes: pulses, and payloads with what the plan makes of them."""

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.sources import probe_mqtt
from meterd.adapters.sources.mqtt import MqttSource
from meterd.app.cli import probe as probe_commands
from meterd.app.cli.main import main
from tests.brokers import Mosquitto, until
from tests.probed_plan import written


@contextmanager
def publishing(broker: Mosquitto, topic: str, payload: bytes, *, retain: bool = False) -> Iterator[None]:
    """A meter that sends again and again."""
    done = threading.Event()
    with Link(LinkSettings("meter", host="127.0.0.1", port=broker.port, session_expiry_s=0)) as out:

        def send() -> None:
            while not done.wait(0.1):
                out.publish(topic, payload, retain=retain)

        sender = threading.Thread(target=send)
        sender.start()
        yield
        done.set()
        sender.join()


@pytest.mark.slow
def test_pulse_count_is_listened_to_and_weighed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """800 pulses a kilowatt hour: 1,000 of them are 1,250 Wh. The session of the daemon that reads them stays its own."""
    with Mosquitto() as broker:
        plan = written(tmp_path, 1, broker=broker.port)
        site = load_plan(Path(plan)).site
        daemon = MqttSource(next(row for row in site.sources if row.name == "broker"), site)
        daemon.start(lambda _: None)
        assert until(lambda: daemon.state().connected)
        with publishing(broker, "pulses/kiln", b"1000"):
            assert main(["probe", plan, "--point", "kiln"]) == 0
        assert daemon.state().counters.disconnects == 0
        daemon.stop(5)
    out = capsys.readouterr().out
    assert "kiln, topic pulses/kiln" in out
    assert re.search(r"> │ payload +│ 1000 +│ +1,000 │ imp +│ read as 1.8.0", out), out
    assert "1,250.000 Wh (1,000 x 1.25)" in out


@pytest.mark.slow
@pytest.mark.parametrize(
    ("payload", "words_", "code"),
    [
        (b'{"p": 5000, "t": 1700000000}', "read as 16.7.0", 0),
        (b'{"q": 5}', "no such member", 0),
        (b"", "nothing came on meters/grid within 1 s", 1),
    ],
)
def test_what_is_published_is_shown_with_what_the_plan_makes_of_it(
    payload: bytes,
    words_: str,
    code: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A value, one that lacks its field, and silence."""
    monkeypatch.setattr(probe_mqtt, "LISTEN_S", 1.0)
    monkeypatch.setattr(probe_commands, "LIMIT_S", 0.5)
    with Mosquitto() as broker:
        plan = written(tmp_path, 1, broker=broker.port)
        with publishing(broker, "meters/grid" if payload else "elsewhere", payload or b"1"):
            assert main(["probe", plan, "--point", "grid"]) == code
    output = capsys.readouterr()
    assert words_ in output.out + output.err


def test_nothing_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_mqtt, "LISTEN_S", 0.5)
    assert main(["probe", written(tmp_path, 1), "--point", "joinery", "--register", "32.7.0"]) == 1
    assert "is the address right" in capsys.readouterr().err
    assert main(["probe", written(tmp_path, 1), "--point", "grid"]) == 1
    assert "no broker at 127.0.0.1:1" in capsys.readouterr().err
