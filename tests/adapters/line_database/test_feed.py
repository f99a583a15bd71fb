"""Whatever a database answers, every line gets there in order, and only bad lines are put aside."""

import threading
import time
from pathlib import Path

import pytest

from meterd.adapters.line_database import feed as line_feed
from meterd.adapters.line_database.feed import open_feed, token_of
from meterd.adapters.store.journal import SqliteStore
from meterd.core.errors import ConfigError
from meterd.core.model.plan import LineStore
from tests.adapters.store.feeding import feeding, settings, wait
from tests.adapters.store.journal import BEGIN, add, clock, figures, opened
from tests.brokers import free_port, until
from tests.databases import TOKEN, StrictFake

LINES = 1000


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two looks at an empty journal wait a twentieth of the time."""
    monkeypatch.setattr(line_feed, "IDLE_S", 0.05)


def readings_of(fake: StrictFake) -> int:
    """How many readings the server holds."""
    return sum(key.startswith("reading") for key in fake.stored)


def in_order(fake: StrictFake) -> bool:
    """Whether readings were stored in the order of their times (repeats aside)."""
    seen: dict[int, None] = {}
    for item in fake.order:
        if item.startswith("reading"):
            seen.setdefault(int(item.rpartition(" ")[2]))
    return list(seen) == sorted(seen)


def test_everything_is_written_in_order_and_nothing_twice_after_a_start(tmp_path: Path) -> None:
    """Batches of at most the set size; a new start goes on behind the last mark."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        with feeding(store, path, settings(fake.url)) as feed:
            figures(store, 0, 40)
            wait(feed, store, lambda: readings_of(fake) == LINES and len(fake.stored) > LINES + 120)
            assert feed.findings(BEGIN) == []
        assert in_order(fake)
        assert max(map(len, fake.requests)) <= 200
        fake.requests.clear()
        add(store, LINES, 10)
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: readings_of(fake) == LINES + 10)
        sent = [item for request in fake.requests for item in request if not item.startswith("canary")]
        assert len(sent) == 10
        assert all(key.split(" ")[0].count("=") == key.count("=") for key in fake.stored)
    store.close()


def test_d2_a_bad_line_is_isolated_and_the_other_999_go_on(tmp_path: Path) -> None:
    """A 400 halves the batch until the line is found; it is kept aside with the server's words (fault D2)."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        fake.bad = f" {BEGIN + 1000 * 417}"
        with feeding(store, path, settings(fake.url, batch=1000)) as feed:
            wait(feed, store, lambda: readings_of(fake) == LINES - 1 and store.outbox.refused())
            (refused,) = store.outbox.refused()
            assert refused.line.endswith(fake.bad)
            assert "invalid number" in refused.reason
            (finding,) = feed.findings(refused.at_ms)
            assert finding.cause == "lines-refused"
            assert refused.line in finding.text
        assert len(fake.requests) < 40, "halving, not one by one"
        assert in_order(fake)
    store.close()


def test_a_database_that_refuses_them_all_is_not_answered_line_by_line(tmp_path: Path) -> None:
    """A field of another type in the whole measurement: after a hundred lines it waits and says so, and loses none."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        fake.bad = "reading,"
        with feeding(store, path, settings(fake.url, batch=1000)) as feed:
            wait(feed, store, lambda: feed.counters.failures >= 2)
            (finding,) = [finding for finding in feed.findings(BEGIN) if finding.cause == "lines-store"]
            assert "more than 100" in finding.text
            assert "float" in finding.remedy
            assert feed.counters.refused == 100
            fake.bad = ""
            wait(feed, store, lambda: readings_of(fake) == LINES)
    store.close()


def test_d2_a_batch_that_is_too_large_is_halved_and_the_size_remembered(tmp_path: Path) -> None:
    """A 413 is about the size: nothing is put aside, and the next batches are small at once."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        fake.most = 10_000
        with feeding(store, path, settings(fake.url, batch=1000)) as feed:
            wait(feed, store, lambda: readings_of(fake) == LINES)
            add(store, LINES, LINES)
            before = len(fake.requests)
            wait(feed, store, lambda: readings_of(fake) == 2 * LINES)
            later = [sum(map(len, request)) for request in fake.requests[before:]]
            assert max(later) < fake.most
        assert store.outbox.refused() == []
    store.close()


@pytest.mark.parametrize(
    ("status", "body", "remedy"),
    [
        (401, {"code": "unauthorized", "message": "unauthorized access"}, "token"),
        (404, {"code": "not found", "message": 'bucket "mill" not found'}, "bucket"),
        (429, {"code": "too many requests", "message": "limit exceeded"}, "wait"),
        (503, {"code": "unavailable", "message": "queue is full"}, "room on its disk"),
        (500, "", "room on its disk"),
        (200, "<html>please log in</html>", "room on its disk"),
    ],
)
def test_d2_d3_other_answers_are_waited_out_and_said_once(
    tmp_path: Path, status: int, body: object, remedy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refusals that are not about a line: nothing is put aside or lost; only 204 counts as stored (faults D2, D3)."""
    monkeypatch.setattr(line_feed, "AWAY_S", 0.0)
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        fake.answers = [(status, body, {})] * 10**6
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: feed.counters.failures >= 5)
            (finding,) = feed.findings(BEGIN)
            assert finding.id == "lines-store-mill"
            assert str(status) in finding.text
            assert f"{LINES} wait" in finding.text
            assert remedy in finding.remedy
            fake.answers = []
            wait(feed, store, lambda: readings_of(fake) == LINES and not feed.findings(BEGIN))
        assert store.outbox.refused() == []
        assert in_order(fake)
    store.close()


def test_retry_after_is_obeyed(tmp_path: Path) -> None:
    """A server that asks to be left alone for two seconds is left alone for two seconds."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 10)
    with StrictFake() as fake:
        fake.answers = [(429, {"code": "too many requests", "message": "slow down"}, {"Retry-After": "2"})]
        begun = time.monotonic()
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: readings_of(fake) == 10)
        assert time.monotonic() - begun > 2.0
    store.close()


def test_d1_d3_a_server_that_is_away_or_silent_loses_nothing(tmp_path: Path) -> None:
    """Refused connections, then answers later than the limit, then a closed connection in the middle (faults D1, D3)."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    fake = StrictFake()
    with feeding(store, path, settings(fake.url, timeout_s=1)) as feed:
        wait(feed, store, lambda: feed.counters.failures >= 3)
        slow = [True]
        fake.between = lambda: time.sleep(1.5) if slow and slow.pop() else None
        with fake:
            wait(feed, store, lambda: readings_of(fake) >= 400)
            fake.stop()
            failures = feed.counters.failures
            add(store, LINES, LINES)
            wait(feed, store, lambda: feed.counters.failures > failures)
            fake.start()
            wait(feed, store, lambda: readings_of(fake) == 2 * LINES)
    assert in_order(fake)
    store.close()


def test_d5_204_without_storing_is_noticed_by_the_canary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The position is not trusted beyond the last point that was read back; all since then is sent again (fault D5)."""
    monkeypatch.setattr(line_feed, "READ_BACK_S", 0.3)
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake, feeding(store, path, settings(fake.url)) as feed:
        wait(feed, store, lambda: feed.position.reading == LINES and store.outbox.marks()[-1].position.reading == LINES)
        fake.forgets = True
        add(store, LINES, LINES)
        wait(feed, store, lambda: feed.counters.losses >= 2)
        (finding,) = feed.findings(BEGIN)
        assert "does not have it" in finding.text
        assert store.outbox.marks()[-1].position.reading == LINES, "not durable beyond what was proven"
        fake.forgets = False
        wait(feed, store, lambda: readings_of(fake) == 2 * LINES and not feed.findings(BEGIN))
    store.close()


def test_d5_a_database_that_forgot_at_its_start_gets_it_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stored in memory only, proven, then gone: after the next error the older marks are looked at as well (fault D5)."""
    monkeypatch.setattr(line_feed, "READ_BACK_S", 0.3)
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake, feeding(store, path, settings(fake.url)) as feed:
        wait(feed, store, lambda: readings_of(fake) == LINES and len(store.outbox.marks()) >= 2)
        safe = dict(fake.stored)
        add(store, LINES, LINES)
        wait(feed, store, lambda: readings_of(fake) == 2 * LINES and feed.position.reading == 2 * LINES)
        wait(feed, store, lambda: store.outbox.marks()[-1].position.reading == 2 * LINES)
        fake.stop()
        fake.stored = safe
        add(store, 2 * LINES, 1)
        wait(feed, store, lambda: feed.counters.failures > 0)
        fake.start()
        wait(feed, store, lambda: readings_of(fake) == 2 * LINES + 1)
        assert feed.counters.losses == 1
    store.close()


def test_an_emptied_database_gets_everything_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any of the marks all is sent from the beginning, figures too, though their changes were removed."""
    monkeypatch.setattr(line_feed, "READ_BACK_S", 0.3)
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        with feeding(store, path, settings(fake.url)) as feed:
            figures(store, 0, 10)
            wait(feed, store, lambda: len(fake.stored) > LINES + 30)
        fake.stored.clear()
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: readings_of(fake) == LINES and len(fake.stored) > LINES + 30)
            assert feed.counters.losses == 1
    store.close()


def test_a_database_that_keeps_less_than_a_day_has_lost_nothing(tmp_path: Path) -> None:
    """Its oldest marks go by its own rule: no alarm, nothing again."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake, feeding(store, path, settings(fake.url)) as feed:
        wait(feed, store, lambda: readings_of(fake) == LINES and len(store.outbox.marks()) >= 4)
        canaries = [key for key in fake.stored if key.startswith("canary")]
        for key in canaries[:2]:
            del fake.stored[key]
        add(store, LINES, 10)
        wait(feed, store, lambda: readings_of(fake) == LINES + 10)
        fake.answers = [(503, "", {})]
        add(store, LINES + 10, 10)
        wait(feed, store, lambda: readings_of(fake) == LINES + 20)
        assert feed.counters.losses == 0
    store.close()


def test_without_the_right_to_read_lines_go_on_but_are_not_trusted(tmp_path: Path) -> None:
    """Writing goes on, the durable position stays, and a finding says what to do."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        fake.readable = False
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: readings_of(fake) == LINES and feed.findings(BEGIN))
            (finding,) = feed.findings(BEGIN)
            assert "cannot be read back" in finding.text
            assert 'read_back = "off"' in finding.remedy
        assert store.outbox.marks() == []
        with feeding(store, path, settings(fake.url, read_back="off")) as feed:
            wait(feed, store, lambda: store.outbox.marks() and store.outbox.marks()[-1].position.reading == LINES)
    store.close()


def test_d1_catching_up_keeps_to_its_rate(tmp_path: Path) -> None:
    """Days of backlog do not take the server from its readers: no more lines per second than the plan says."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 2 * LINES)
    with StrictFake() as fake:
        begun = time.monotonic()
        with feeding(store, path, settings(fake.url, rate=1000, batch=100)) as feed:
            wait(feed, store, lambda: readings_of(fake) == 2 * LINES)
        assert 1.8 < time.monotonic() - begun < 6.0
    store.close()


def test_lines_older_than_the_database_keeps_are_its_own_affair(tmp_path: Path) -> None:
    """A refusal by its retention policy puts nothing aside: it keeps the rest of the batch itself."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 10)
    with StrictFake() as fake:
        fake.answers = [(400, {"error": "partial write: points beyond retention policy dropped=10"}, {})]
        with feeding(store, path, settings(fake.url)) as feed:
            wait(feed, store, lambda: feed.position.reading == 10)
            assert feed.counters.expired == 1
        assert store.outbox.refused() == []
    store.close()


def test_a_dead_thread_is_started_again_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody expected ends the thread; the loop starts it again and nothing is missing (fault E5)."""
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        feed = open_feed(settings(fake.url), "mill", path, store=store, clock=clock())
        assert feed is not None
        feed._token = TOKEN
        feed._path = tmp_path / "absent"
        feed.start()
        wait(feed, store, lambda: feed._worker.died)
        feed._path = path
        assert feed.revive()
        wait(feed, store, lambda: readings_of(fake) == LINES)
        assert feed.counters.revivals == 1
        feed.stop(5.0)
        assert not feed.revive()
    store.close()


def test_killed_before_anything_was_kept_it_is_all_sent_again(tmp_path: Path) -> None:
    """A process that ends without a word has kept no mark: the next one repeats, and points with the same time stay one (D4)."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with StrictFake() as fake:
        feed = open_feed(settings(fake.url), "mill", path, store=store, clock=clock())
        assert feed is not None
        feed._token = TOKEN
        feed.start()
        assert until(lambda: readings_of(fake) >= 600)
        feed.stop(5.0)  # and nobody calls keep
        assert store.outbox.marks() == []
        with feeding(store, path, settings(fake.url)) as second:
            wait(second, store, lambda: second.position.reading == LINES)
        assert readings_of(fake) == LINES
        assert len([item for item in fake.order if item.startswith("reading")]) > LINES
    store.close()


def test_token_comes_from_the_environment_or_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Never from the plan; a missing one is said before anything starts."""
    monkeypatch.setenv("MILL_TOKEN", "one\n")
    assert token_of(LineStore(token_env="MILL_TOKEN")) == "one"
    (tmp_path / "token").write_text("two\n")
    assert token_of(LineStore(token_file=str(tmp_path / "token"))) == "two"
    assert token_of(LineStore()) == ""
    with pytest.raises(ConfigError, match="NOTHING"):
        token_of(LineStore(token_env="NOTHING"))
    with pytest.raises(ConfigError, match="absent"):
        token_of(LineStore(token_file=str(tmp_path / "absent")))


@pytest.mark.parametrize("token", ["abc-secret\x07 line", "t\u00f6k\u0159n"])
def test_a_token_that_no_header_can_carry_is_refused_without_quoting_it(tmp_path: Path, token: str) -> None:
    """Found by trying: urllib3 quoted the whole header in a ValueError, which ended the thread and went into the log."""
    (tmp_path / "token").write_text(f"{token}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"not one line of plain letters|holds control characters") as caught:
        token_of(LineStore(token_file=str(tmp_path / "token")))
    assert token.split()[0] not in str(caught.value)


def test_a_store_that_refuses_marks_is_asked_again(tmp_path: Path) -> None:
    """Marks that could not be stored are stored the next time; until then a start sends again."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 10)
    with StrictFake() as fake, feeding(store, path, settings(fake.url)) as feed:
        wait(feed, store, lambda: store.outbox.marks() and store.outbox.marks()[-1].position.reading == 10)
        other = SqliteStore.reader(path)  # a store that cannot write
        add(store, 10, 5)
        assert until(lambda: readings_of(fake) == 15)
        feed.keep(other)
        assert store.outbox.marks()[-1].position.reading == 10
        wait(feed, store, lambda: store.outbox.marks()[-1].position.reading == 15)
        other.close()
    store.close()


def test_unreachable_port_is_reported_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The finding names host and failure, without addresses of memory or the token."""
    monkeypatch.setattr(line_feed, "AWAY_S", 0.0)
    path = tmp_path / "s.sqlite"
    store = opened(path, 10)
    with feeding(store, path, settings(f"http://127.0.0.1:{free_port()}")) as feed:
        wait(feed, store, lambda: feed.findings(BEGIN))
        (finding,) = feed.findings(BEGIN)
        assert "refused" in finding.text
        assert "0x" not in finding.text
        assert "token-for-tests" not in finding.text
    store.close()
