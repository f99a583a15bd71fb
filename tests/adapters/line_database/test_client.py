"""Real servers store what they are sent: killed in between, with a bad line among the good, read back by query."""

import time
from pathlib import Path

import pytest

from meterd.adapters.line_database.client import Database
from meterd.adapters.line_database.responses import NotReadable
from meterd.core.model.plan import LineStore
from tests.adapters.store.feeding import feeding, settings, wait
from tests.adapters.store.journal import BEGIN, add, figures, opened, reading
from tests.databases import BUCKET, TOKEN, Influx, OldInflux, Victoria

pytestmark = pytest.mark.slow
LINES = 6000


def test_all_is_stored_across_an_outage_and_a_bad_line_alone_is_not(tmp_path: Path) -> None:
    """Killed while lines are written: every reading and figure is there once, with its value, read back by query (D1)."""
    path = tmp_path / "s.sqlite"
    store = opened(path, LINES)
    with Influx() as database:
        with feeding(store, path, settings(database.url, rate=5000)) as feed:
            figures(store, 0, 40)
            wait(feed, store, lambda: database.count("reading", "value") > LINES // 4)
            database.kill()
            failures = feed.counters.failures
            wait(feed, store, lambda: feed.counters.failures > failures + 2)
            add(store, LINES, LINES)
            database.start()
            wait(feed, store, lambda: database.count("reading", "value") == 2 * LINES, 60.0)
            wait(feed, store, lambda: store.outbox.marks()[-1].position.reading == 2 * LINES)
        assert database.count("energy", "energy_wh") == 40
        assert database.count("balance", "residual_wh") == 40
        assert database.count("pv", "production_wh") == 40
        rows = database.ask("SELECT \"value\" FROM \"reading\" WHERE point = 'q02' AND register = 'export'")
        expected = [[r.at_ms, r.value / 1000] for n in range(1, 2 * LINES, 3) for r in [reading(n)]]
        assert rows == expected
        tags = {row[0] for row in database.ask('SHOW TAG KEYS FROM "reading"')}
        assert tags == {"site", "point", "register"}
        assert {str(row[1]) for row in database.ask("SHOW FIELD KEYS")} == {"float"}
    store.close()


def test_a_type_conflict_is_isolated(tmp_path: Path) -> None:
    """Somebody has written text into our field: those lines are put aside, the other 999 go on (faults D2, D11)."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 999)
    figures_of_one = 1
    with Influx() as database:
        other = Database(settings(database.url), TOKEN)
        assert other.write([f'pv,site=mill,period=interval production_wh="text" {BEGIN}']).status == 204
        other.close()
        with feeding(store, path, settings(database.url, batch=2000)) as feed:
            with store.transaction():
                store.outbox.serve("x")  # changes are noted from the start
            figures(store, 0, figures_of_one)
            wait(feed, store, lambda: database.count("reading", "value") == 999 and store.outbox.refused())
            (refused,) = store.outbox.refused()
            assert refused.line.startswith("pv,")
            assert "type" in refused.reason
        assert database.count("energy", "energy_wh") == 1
    store.close()


def test_a_second_make_of_database_holds_the_same(tmp_path: Path) -> None:
    """Another server takes the same lines and gives them back by its own interface, the mark too."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 300)
    with Victoria() as database, feeding(store, path, settings(database.url, read_back="export", batch=5000)) as feed:
        wait(feed, store, lambda: store.outbox.marks() and store.outbox.marks()[-1].position.reading == 300, 60.0)
        (series,) = database.export('{__name__="reading_value",point="q01",register="power"}')
        expected = [reading(n) for n in range(2, 300, 3)]
        assert series["values"] == [r.value for r in expected]
        assert series["timestamps"] == [r.at_ms for r in expected]
    store.close()


def test_a_server_without_the_address_of_version_2_is_written_to_by_its_own(tmp_path: Path) -> None:
    """InfluxDB 1.6 answers 404 to `/api/v2/write`: everything arrives by `/write`, as its user, and is read back."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 300)
    with OldInflux() as database:
        own = settings(database.url, org="")
        with feeding(store, path, own, token=database.token) as feed:
            figures(store, 0, 40)
            wait(feed, store, lambda: store.outbox.marks() and store.outbox.marks()[-1].position.reading == 300, 60.0)
            assert feed.findings(BEGIN) == []
        assert database.ask('SELECT COUNT("value") FROM "reading"')[0][1] == 300
        assert database.ask('SELECT COUNT("energy_wh") FROM "energy"')[0][1] == 40
        with feeding(store, path, own, token=database.token) as feed:  # what is proven is not sent again
            add(store, 300, 10)
            wait(feed, store, lambda: database.ask('SELECT COUNT("value") FROM "reading"')[0][1] == 310, 60.0)
            assert feed.counters.losses == 0
        refused = Database(own, "writer:wrong")
        answer = refused.write(["a b=1.0 1"])
        assert (answer.status, "wrong" in answer.words) == (401, False)
        absent = Database(settings(database.url, org="", bucket="absent"), database.token)
        assert absent.write(["a b=1.0 1"]).status == 404
        assert absent.write(["a b=1.0 1"]).status == 404  # asked at both addresses again: a bucket may be made later
    store.close()


def test_answers_of_the_real_server_are_distinguished() -> None:
    """Wrong token, unknown bucket, no server: status and words come through, reading is refused or fails."""
    with Influx() as database:
        right = LineStore(url=database.url, org="mill", bucket=BUCKET, timeout_s=2)
        assert Database(right, "wrong").write(["a b=1.0 1"]).status == 401
        with pytest.raises(NotReadable, match="401"):
            Database(right, "wrong").canaries("mill", 0)
        absent = LineStore(url=database.url, org="mill", bucket="absent", timeout_s=2)
        answer = Database(absent, TOKEN).write(["a b=1.0 1"])
        assert (answer.status, "not found" in answer.words) == (404, True)
        with pytest.raises(NotReadable, match="not found"):
            Database(absent, TOKEN).canaries("mill", 0)
        good = Database(right, TOKEN)
        assert good.write(["canary,site=mill number=7.0 1000", "canary,site=other number=8.0 1000"]).status == 204
        assert good.canaries("mill", 0) == {(7, 1000)}
        assert good.canaries("mill", 2000) == set()
        database.kill()
        assert good.write(["a b=1.0 1"]).status == 502
        with pytest.raises(OSError, match="502"):
            good.canaries("mill", 0)
    begun = time.monotonic()
    assert good.write(["a b=1.0 1"]).status == 0
    with pytest.raises(OSError, match="refused"):
        good.canaries("mill", 0)
    assert time.monotonic() - begun < 4.0
