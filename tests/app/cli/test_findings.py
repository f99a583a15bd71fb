"""`meterd findings` lists, orders and announces, with a daemon that runs and without one."""

import csv
import io
import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from tests.adapters.notify.servers import Hooks
from tests.brokers import Mosquitto, until

PLAN = """\
site = {{ name = "gate-works", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ stale_after_s = {stale_s}, publish_every_s = 2 }}
notify = {{ webhook_url = "{hook}", wait_s = 0, clear_s = 1, gap_s = 0 }}
board = [{{ name = "main" }}]
point = [
    {{ point = "grid", role = "feed" }}, {{ point = "joinery" }}, {{ point = "offices" }}, {{ point = "light" }},
]
input = [{{ point = "*", address = "meters/{{point}}", fields = {{ "16.7.0" = "/power_w" }} }}]
"""
T = 1_780_000_000_000


def written(folder: Path, port: int = 1883, hook: str = "", stale_s: int = 3) -> Path:
    path = folder / "works.toml"
    path.write_text(PLAN.format(port=port, hook=hook, stale_s=stale_s))
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan whose store holds one open and one closed finding; no daemon runs."""
    store = SqliteStore.writer(tmp_path / "gate-works.sqlite")
    keeper = FindingKeeper(store, Site("gate-works", "Europe/Vienna"))
    stale = Finding("stale", "joinery", T, "joinery: nothing [comes]", "look at the meter", ("joinery",), ("also",))
    away = Finding("source-away", "broker", T, "source broker: no connection", points=("offices", "light"))
    keeper.update([stale, away], [], T)
    keeper.update([stale], [], T + 60_000)
    store.close()
    return written(tmp_path)


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = main(["findings", *(str(word) for word in arguments)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def rows(capsys: pytest.CaptureFixture[str], *texts: object) -> list[dict[str, str]]:
    code, out, err = run(capsys, *texts, "--format", "csv")
    assert (code, err) == (0, "")
    return list(csv.DictReader(io.StringIO(out)))


def test_list_for_programs_and_for_people(capsys: pytest.CaptureFixture[str], plan: Path) -> None:
    """Open ones; closed ones with --all; of a point with --point, also where it is one of many."""
    assert [r["id"] for r in rows(capsys, plan)] == ["stale-joinery"]
    assert [(r["id"], r["state"]) for r in rows(capsys, plan, "--all")] == [
        ("source-away-broker", "closed"),
        ("stale-joinery", "new"),
    ]
    assert [r["id"] for r in rows(capsys, plan, "--all", "--point", "light")] == ["source-away-broker"]
    code, out, _ = run(capsys, plan, "--format", "json")
    (item,) = json.loads(out)
    assert (code, item["first"], item["times"], item["points"], item["evidence"]) == (
        0,
        "2026-05-28T20:26:40Z",
        1,
        "joinery",
        "also",
    )
    code, out, _ = run(capsys, plan)
    assert code == 0
    assert "2026-05-28 22:26" in out  # local time of the site
    assert "joinery: nothing [comes]" in out
    assert "-> look at the meter" in out


def test_no_finding_is_a_word_for_people_and_an_empty_list_for_programs(
    capsys: pytest.CaptureFixture[str], plan: Path
) -> None:
    """Nothing to do."""
    assert run(capsys, plan, "--point", "grid") == (0, "none\n", "")
    assert json.loads(run(capsys, plan, "--point", "grid", "--format", "json")[1]) == []


def test_orders_without_a_daemon_are_written_by_the_command(capsys: pytest.CaptureFixture[str], plan: Path) -> None:
    """Seen, explained and closed, each with person and note; the history tells."""
    assert run(capsys, plan, "--see", "stale-joinery", "--by", "Жанна") == (0, "stale-joinery is seen\n", "")
    assert run(capsys, plan, "--explain", "stale-joinery", "--by", "Ada", "--note", "Kabel")[0] == 0
    assert run(capsys, plan, "--close", "stale-joinery", "--note", "mended")[:2] == (0, "stale-joinery is closed\n")
    history = rows(capsys, plan, "--history", "stale-joinery")
    assert [(r["state"], r["by"], r["note"]) for r in history][:3] == [
        ("new", "", ""),
        ("seen", "Жанна", ""),
        ("explained", "Ada", "Kabel"),
    ]
    assert history[3]["by"] != ""
    assert not plan.with_name("gate-works.sqlite.orders").exists()


def test_planned_work_is_announced_listed_and_ended(capsys: pytest.CaptureFixture[str], plan: Path) -> None:
    """With begin, end, person and reason."""
    code, out, _ = run(
        capsys,
        plan,
        "--suppress",
        "joi*",
        "--from",
        "2026-05-04",
        "--until",
        "2099-01-01",
        "--by",
        "Ada",
        "--note",
        "works",
    )
    assert (code, out) == (
        0,
        "window 1: findings of joi* cause no notifications from 2026-05-03T22:00:00Z to 2098-12-31T23:00:00Z\n",
    )
    (item,) = rows(capsys, plan, "--suppressions")
    assert (item["what"], item["cause"], item["by"], item["note"]) == ("joi*", "*", "Ada", "works")
    assert "works" in run(capsys, plan, "--suppressions")[1]
    assert run(capsys, plan, "--resume", 1)[:2] == (0, "window 1 has ended\n")
    assert rows(capsys, plan, "--suppressions") == []


@pytest.mark.parametrize(
    ("texts", "code", "expected"),
    [
        (["--see", "stale-q99"], 1, "there is no finding stale-q99"),
        (["--see", "source-away-broker"], 1, "is closed already"),
        (["--history", "stale-q99"], 2, "there is no finding stale-q99"),
        (["--explain", "stale-joinery"], 2, "--explain needs --note"),
        (["--close", "stale-joinery", "--note", "a\nb"], 2, "line break"),
        (["--see", "stale-joinery", "--by", "\x1b[2J"], 2, "control character"),
        (["--suppress", "joinery", "--note", "x"], 2, "--suppress needs --until"),
        (["--suppress", "joinery", "--note", "x", "--until", "2020-01-01"], 2, "--from must be before --until"),
        (["--suppress", "joinery", "--note", "x", "--until", "soon"], 2, "cannot read --until 'soon'"),
        (["--suppress", "joinary", "--note", "x", "--until", "2099-01-01"], 2, "did you mean joinery?"),
        (
            ["--suppress", "zzz*", "--note", "x", "--until", "2099-01-01"],
            2,
            "nothing in the plan is called zzz*; write a point",
        ),
        (["--resume", "7"], 1, "there is no window 7"),
        (["--resume", "all"], 2, "is not the number of a window"),
        (["--point", "nope"], 2, "the plan has no point nope; its names stand in points.csv"),
        (["--point", "joinry"], 2, "the plan has no point joinry; did you mean joinery?"),
        (["--store", "nowhere.sqlite"], 1, "there is no store at nowhere.sqlite"),
        (["--store", "nowhere.sqlite", "--see", "x"], 1, "there is no store at nowhere.sqlite"),
        (["--try-notify"], 2, "the plan has no notifications"),
    ],
)
def test_what_cannot_be_done_is_said(
    capsys: pytest.CaptureFixture[str], plan: Path, texts: list[str], code: int, expected: str
) -> None:
    """One line on standard error; nothing is changed."""
    before = rows(capsys, plan, "--all")
    got, out, err = run(capsys, plan, *texts)
    assert (got, out) == (code, "")
    assert expected in err
    assert rows(capsys, plan, "--all") == before


def test_test_message_goes_out_by_every_way(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the night in which it matters."""
    monkeypatch.setenv("no_proxy", "*")
    with Hooks() as hooks:
        path = written(tmp_path, hook=hooks.url)
        assert run(capsys, path, "--try-notify") == (0, "webhook: delivered\n", "")
        assert hooks.posts[0][1]["test"] is True
        hooks.answer = lambda: (401, b"who are you")
        code, _, err = run(capsys, path, "--try-notify")
    assert code == 1
    assert "answers 401 Unauthorized: who are you" in err


def test_store_held_by_somebody_who_does_not_answer(
    capsys: pytest.CaptureFixture[str], plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A replay writes: the order is taken back, and the person is notified."""
    monkeypatch.setattr("meterd.app.operations.orders.ANSWER_LIMIT_S", 0.3)
    store = SqliteStore.writer(plan.with_name("gate-works.sqlite"))
    code, _, err = run(capsys, plan, "--see", "stale-joinery", "--by", "Ada")
    store.close()
    assert code == 1
    assert "nothing was changed" in err
    assert list(plan.with_name("gate-works.sqlite.orders").iterdir()) == []


# -- with a daemon that runs -------------------------------------------------------------------------------------------


class Listener:
    """What the broker keeps below finding/."""

    def __init__(self, port: int) -> None:
        self.kept: dict[str, dict[str, object]] = {}
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_message = self._take
        self.client.on_connect = lambda client, *_: client.subscribe("energy/gate-works/finding/+")
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _take(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        name = message.topic.rpartition("/")[2]
        if message.payload:
            self.kept[name] = json.loads(message.payload)
        else:
            self.kept.pop(name, None)

    def close(self) -> None:
        """End."""
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def daemon(path: Path) -> Iterator[subprocess.Popen[str]]:
    """The real program as a child process, ended in order."""
    texts = [sys.executable, "-m", "meterd.app.cli.main", "run", str(path)]
    process = subprocess.Popen(texts, stderr=subprocess.PIPE, text=True, env={"no_proxy": "*", "PATH": "/usr/bin"})
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


@contextmanager
def meters(port: int, talking: set[str]) -> Iterator[None]:
    """Meters that send while the block lasts, whatever else is waited for: a command may take longer than a silence."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    ended = threading.Event()

    def send() -> None:
        while not ended.wait(0.3):
            for name in tuple(talking):
                client.publish(f"meters/{name}", json.dumps({"power_w": 1000 + time.monotonic() % 7}), qos=1)

    sender = threading.Thread(target=send)
    sender.start()
    try:
        yield
    finally:
        ended.set()
        sender.join()
        client.disconnect()
        client.loop_stop()


@pytest.mark.slow
def test_life_of_a_finding_with_a_running_daemon(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A point falls silent: topic, list, webhook; orders from beside reach the daemon; planned work hides another one; a
    kill keeps all of it; the point comes back: all-clear everywhere, the topic is gone.
    """
    with Mosquitto() as broker, Hooks() as hooks:
        path = written(tmp_path, broker.port, hooks.url, stale_s=6)
        listener = Listener(broker.port)
        talking = {"grid", "joinery", "offices", "light"}

        def told() -> list[tuple[str, str]]:
            return [(n["kind"], n["id"]) for _, body in hooks.posts for n in body["notices"]]  # type: ignore[index, attr-defined]

        with meters(broker.port, talking), daemon(path) as process:
            assert until(lambda: run(capsys, path)[0] == 0)  # the daemon has begun the store
            assert until(lambda: rows(capsys, path) == [] and time.sleep(3) is None, 60)
            talking.discard("joinery")
            assert until(lambda: "stale-joinery" in listener.kept)
            assert (listener.kept["stale-joinery"]["state"], listener.kept["stale-joinery"]["count"]) == ("new", 1)
            assert until(lambda: ("new", "stale-joinery") in told())
            assert [r["id"] for r in rows(capsys, path)] == ["stale-joinery"]
            code, out, _ = run(capsys, path, "--explain", "stale-joinery", "--by", "Ada", "--note", "Umbau")
            assert (code, out) == (0, "stale-joinery is explained\n")
            assert until(lambda: listener.kept["stale-joinery"]["state"] == "explained")
            code, _, err = run(capsys, path, "--see", "stale-q99", "--by", "Ada")
            assert code == 1
            assert "there is no finding stale-q99" in err
            assert (
                run(capsys, path, "--suppress", "offices", "--until", "2099-01-01", "--by", "Ada", "--note", "works")[0]
                == 0
            )
            talking.discard("offices")
            assert until(
                lambda: {"new", "new, planned work"} & {r["state"] for r in rows(capsys, path, "--point", "offices")}
            )
            assert "stale-offices" not in listener.kept
            process.kill()
            process.wait()
        with meters(broker.port, talking), daemon(path):
            assert until(lambda: listener.kept.get("stale-joinery", {}).get("state") == "explained")
            talking.add("joinery")
            assert until(lambda: "stale-joinery" not in listener.kept)
            assert until(lambda: ("over", "stale-joinery") in told())
            assert "stale-offices" not in listener.kept
        assert [item for item in told() if item[1] == "stale-offices"] == []
        assert told().count(("new", "stale-joinery")) == 1
        history = [(r["state"], r["by"], r["note"]) for r in rows(capsys, path, "--history", "stale-joinery")]
        assert history[:2] == [("new", "", ""), ("explained", "Ada", "Umbau")]
        listener.close()


def test_a_list_needs_no_arrays(plan: Path) -> None:
    """Every question costs its start: numpy is a third of it, and a list of findings computes nothing."""
    code = (
        "import sys; from meterd.app.cli.main import main\n"
        f"main(['findings', {str(plan)!r}, '--format', 'csv']); sys.exit('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "joinery: nothing [comes]" in done.stdout
    assert done.returncode == 0, done.stderr
