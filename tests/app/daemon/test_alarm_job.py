"""Findings reach people by mail and webhook: gathered, limited, reported again after an outage, and never in the loop's way."""

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.notify.channels import channels
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import alarm_job as alarms
from meterd.app.daemon.alarm_job import AlarmJob
from meterd.app.operations.orders import OrderFolder, new_order
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Input, Notify, Point, Role, Site
from tests.adapters.notify.servers import Hooks, Inbox, mail_server, mute_server
from tests.brokers import crowd, free_port, until

T = 1_780_000_000_000
S = 1000
POINTS = tuple(f"q{i:02}" for i in range(40))
STALE = Finding("stale", "q05", T, "Zähler q05: nothing comes", "look", ("q05",))
NOW = Notify(wait_s=0, clear_s=0, gap_s=0)


@pytest.fixture(autouse=True)
def _near(monkeypatch: pytest.MonkeyPatch) -> None:
    """Servers are on this machine, and outages of the test are short."""
    monkeypatch.setenv("no_proxy", "*")
    monkeypatch.setattr(alarms, "RETRY_S", 0.2)


class Rig:
    """A store and the alarms of a site, looked at in steps of the moment."""

    def __init__(self, folder: Path, settings: Notify) -> None:
        self.site = Site(
            "mill", "Europe/Vienna", boards=(Board("north"),), notify=settings,
            points=tuple(Point(p, "north", Role.FEEDER) for p in POINTS),
            inputs=tuple(Input(p, "16.7.0", "s", p) for p in POINTS),
        )  # fmt: skip
        self.path = folder / "s.sqlite"
        self.now_ms = T
        self.holding: list[Finding] = []
        self.begin()

    def begin(self) -> None:
        """Start, or start again."""
        self.store = SqliteStore.writer(self.path)
        self.alarm_job = AlarmJob(self.store, self.path, self.site, self.now_ms)

    def end(self) -> None:
        """Stop in order."""
        self.alarm_job.close()
        self.store.close()

    def look(self, *holding: Finding, later_s: int = 1, **now: object) -> None:
        """One second of the loop."""
        self.holding = list(holding)
        self.now_ms += later_s * S
        self.alarm_job.tick(self.holding, [], self.now_ms)

    def go_on(self, condition: Callable[[], object], limit_s: float = 30, *, later_s: int = 0) -> bool:
        """The loop goes on with what holds until something is so; each look may come some seconds later."""

        def step() -> object:
            self.look(*self.holding, later_s=later_s)
            return condition()

        return until(step, limit_s)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Callable[[Notify], Rig]]:
    """Makes rigs and ends them."""
    with ExitStack() as stack:

        def make(settings: Notify) -> Rig:
            result = Rig(tmp_path, settings)
            stack.callback(lambda: result.end())
            return result

        yield make


def kinds(hooks: Hooks) -> list[list[tuple[str, str]]]:
    """The findings in each post."""
    return [[(n["kind"], n["id"]) for n in body["notices"]] for _, body in hooks.posts]  # type: ignore[index, attr-defined]


def test_finding_and_its_all_clear_arrive_by_both_ways(tmp_path: Path, rig: Callable[[Notify], Rig]) -> None:
    """One mail and one post each, in words beyond ASCII."""
    inbox = Inbox()
    with mail_server(inbox, "starttls", tmp_path) as mail, Hooks() as hooks:
        site = rig(replace(mail, wait_s=0, clear_s=0, gap_s=0, webhook_url=hooks.url))
        site.look(STALE)
        assert site.go_on(lambda: len(inbox.mails) == 1 and len(hooks.posts) == 1)
        for _ in range(20):
            site.look(STALE)
        site.look()
        assert site.go_on(lambda: len(inbox.mails) == 2 and len(hooks.posts) == 2)
    assert [m["Subject"] for m in inbox.mails] == [
        "[mill] new: Meter is silent: q05", "[mill] over: Meter is silent: q05",
    ]  # fmt: skip
    assert "Zähler q05: nothing comes" in inbox.mails[0].get_content()
    assert kinds(hooks) == [[("new", "stale-q05")], [("over", "stale-q05")]]


def test_many_at_once_are_one_message(rig: Callable[[Notify], Rig]) -> None:
    """Three hundred findings: one post with fifty of them, the rest counted."""
    with Hooks() as hooks:
        site = rig(replace(NOW, webhook_url=hooks.url))
        many = [Finding("overdraw", f"consumer-{i:03}", T, f"consumer {i}") for i in range(300)]
        site.look(*many)
        assert site.go_on(lambda: hooks.posts)
        site.look(*many)
        time.sleep(0.3)
        site.look(*many)
        (_, body) = hooks.posts[0]
        assert len(hooks.posts) == 1
    assert (len(body["notices"]), body["more"]) == (50, 250)  # type: ignore[arg-type]


def test_messages_of_one_way_keep_their_distance(rig: Callable[[Notify], Rig]) -> None:
    """What comes meanwhile is gathered into the next one."""
    with Hooks() as hooks:
        site = rig(replace(NOW, webhook_url=hooks.url, gap_s=1))
        site.look(STALE)
        assert site.go_on(lambda: hooks.posts)
        begun = time.monotonic()
        more = [replace(STALE, cause=f"other-{i}") for i in range(5)]
        for i in range(5):
            site.look(STALE, *more[: i + 1])
        assert site.go_on(lambda: len(hooks.posts) == 2)
        assert time.monotonic() - begun > 0.8
    assert [len(reported) for reported in kinds(hooks)] == [1, 5]


def test_planned_work_and_what_is_seen_is_not_reported(rig: Callable[[Notify], Rig]) -> None:
    """The order arrives through the folder, as from a command."""
    with Hooks() as hooks:
        site = rig(replace(NOW, webhook_url=hooks.url, wait_s=30, repeat_h=1))
        folder = OrderFolder(site.path)
        folder.put(new_order("suppress", "q06", "Ada", "works", from_ms=T, until_ms=T + 3_600_000))
        site.look(STALE, replace(STALE, subject="q06", points=("q06",)))
        folder.put(new_order("see", "stale-q05", "Ada"))
        for _ in range(100):
            site.look(*site.holding)
        time.sleep(0.3)
        site.look(*site.holding)
        assert hooks.posts == []
        other = replace(STALE, cause="outside-band", subject="north", points=())
        site.look(*site.holding, other)
        site.look(*site.holding, later_s=31)
        assert site.go_on(lambda: hooks.posts)
    assert kinds(hooks) == [[("new", "outside-band-north")]]


@pytest.mark.slow
def test_outage_of_the_mail_server_is_made_good(tmp_path: Path, rig: Callable[[Notify], Rig]) -> None:
    """Down for an hour: the webhook says once that mail does not go out; then the mails tell what came and went."""
    inbox, port = Inbox(), free_port()
    with Hooks() as hooks:
        with mail_server(inbox, "none", tmp_path, port=port) as mail:
            settings = mail
        site = rig(replace(settings, wait_s=0, clear_s=0, gap_s=0, webhook_url=hooks.url, timeout_s=1))
        site.look(STALE)
        assert site.go_on(
            lambda: ("new", "not-told-e-mail") in [item for reported in kinds(hooks) for item in reported], 20
        )
        site.look(STALE, replace(STALE, cause="other"), later_s=3600)
        site.look(STALE)
        with mail_server(inbox, "none", tmp_path, port=port):
            # a message that gave up just before is tried again some minutes later
            assert site.go_on(lambda: "CAME AND WENT" in "".join(m.get_content() for m in inbox.mails), 60, later_s=10)
            assert site.go_on(
                lambda: ("over", "not-told-e-mail") in [item for reported in kinds(hooks) for item in reported]
            )
    assert len(inbox.mails) <= 2  # one was on its road when the server came back
    text = "".join(m.get_content() for m in inbox.mails)
    assert (text.count("id: stale-q05"), text.count("id: other-q05")) == (1, 1)
    assert "not-told" not in text
    reported = [item for messages in kinds(hooks) for item in messages]
    assert reported.count(("new", "stale-q05")) == 1


def test_restart_does_not_tell_again_and_a_lost_message_is_reported_again(
    tmp_path: Path, rig: Callable[[Notify], Rig]
) -> None:
    """What was confirmed is stored; what was under way when the daemon ended comes after the next start."""
    with Hooks() as hooks:
        site = rig(replace(NOW, webhook_url=hooks.url))
        site.look(STALE)
        assert site.go_on(lambda: hooks.posts and site.store.finding_tables.sent_notifications("webhook"))
        site.end()
        site.begin()
        site.look(STALE)
        time.sleep(0.4)
        site.look(STALE)
        assert len(hooks.posts) == 1
        hooks.answer = lambda: (503, b"")
        site.look(STALE, replace(STALE, cause="other"))
        site.end()
        hooks.answer = lambda: (204, b"")
        site.begin()
        site.look(STALE, replace(STALE, cause="other"))
        assert site.go_on(lambda: len(hooks.posts) == 2)
    assert kinds(hooks) == [[("new", "stale-q05")], [("new", "other-q05")]]


def test_server_that_hangs_does_not_hold_up_the_loop(rig: Callable[[Notify], Rig]) -> None:
    """E3: a look takes milliseconds whatever the servers do."""
    with mute_server() as port:
        site = rig(
            replace(
                NOW,
                webhook_url=f"http://127.0.0.1:{port}/",
                timeout_s=1,
                email_to=("a@b.example",),
                email_from="c@d.example",
                smtp_host="127.0.0.1",
                smtp_port=port,
            )
        )
        longest = 0.0
        for _ in range(100):
            begun = time.monotonic()
            site.look(STALE, *(replace(STALE, cause=f"c{i}") for i in range(50)))
            longest = max(longest, time.monotonic() - begun)
            time.sleep(0.01)
        begun = time.monotonic()
        site.alarm_job.close()
        assert time.monotonic() - begun < 3 * crowd()
    assert longest < 0.5 * crowd()


def test_receiver_that_is_refused_is_a_finding_but_no_second_mail(tmp_path: Path, rig: Callable[[Notify], Rig]) -> None:
    """The other one has it."""
    inbox = Inbox()
    inbox.refused = {"chief@mill.example"}
    with mail_server(inbox, "none", tmp_path) as mail:
        site = rig(replace(mail, wait_s=0, clear_s=0, gap_s=3600))
        site.look(STALE)
        assert site.go_on(lambda: "not-told-e-mail" in [f.id for f in site.alarm_job.keeper.open])
        time.sleep(0.5)
        site.look(STALE)
    assert len(inbox.mails) == 1


def test_without_notify_nothing_is_started(rig: Callable[[Notify], Rig]) -> None:
    """The default tells nobody."""
    site = rig(Notify())
    site.look(STALE)
    assert [f.id for f in site.alarm_job.keeper.open] == ["stale-q05"]
    assert channels(Notify()) == []
    assert site.alarm_job.threads() == {}
