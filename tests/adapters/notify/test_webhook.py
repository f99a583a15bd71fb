"""One POST of JSON; only an answer from 200 to 299 counts as sent."""

import time
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.notify.webhook import WebhookChannel
from meterd.core.errors import NotifyError
from meterd.core.model.plan import Notify
from meterd.core.texts.notification_digest import NotificationText
from tests.adapters.notify.servers import Hooks, mute_server, tls_context
from tests.brokers import free_port

T = 1_780_000_000_000
MESSAGE = NotificationText("subject", "text", {"site": "mill", "text": 'Zähler q05 steht\r\n"quoted"', "more": 0})


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    """These servers are on this machine."""
    monkeypatch.setenv("no_proxy", "*")


def test_post_carries_json_and_secret(tmp_path: Path) -> None:
    """The secret comes from a file and goes into the header of the plan."""
    (tmp_path / "secret").write_text("Bearer crumb\n")
    with Hooks() as hooks:
        settings = Notify(webhook_url=hooks.url, webhook_secret_file=str(tmp_path / "secret"))
        assert WebhookChannel(settings).send(MESSAGE, T) == ""
        WebhookChannel(replace(settings, webhook_header="X-Secret")).send(MESSAGE, T)
        WebhookChannel(Notify(webhook_url=hooks.url)).send(MESSAGE, T)
    (first, body), (second, _), (third, _) = hooks.posts
    assert body == MESSAGE.fields
    assert (first["authorization"], first["content-type"]) == ("Bearer crumb", "application/json")
    assert (second["x-secret"], "authorization" in second) == ("Bearer crumb", False)
    assert "authorization" not in third
    assert first["user-agent"].startswith("meterd/")


def test_secret_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read anew for each request."""
    monkeypatch.setenv("MILL_HOOK", "crumb")
    with Hooks() as hooks:
        WebhookChannel(Notify(webhook_url=hooks.url, webhook_secret_env="MILL_HOOK")).send(MESSAGE, T)
    assert hooks.posts[0][0]["authorization"] == "crumb"


def failure(settings: Notify) -> NotifyError:
    with pytest.raises(NotifyError) as caught:
        WebhookChannel(settings).send(MESSAGE, T)
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize("secret", [b"a\r\nX: y", b"\xff", b"", b"\x00"])
def test_secret_that_would_break_the_header_is_refused(tmp_path: Path, secret: bytes) -> None:
    """Only the first line is the secret, and it is text."""
    (tmp_path / "secret").write_bytes(secret)
    with Hooks() as hooks:
        settings = Notify(webhook_url=hooks.url, webhook_secret_file=str(tmp_path / "secret"))
        if secret.startswith(b"a"):
            WebhookChannel(settings).send(MESSAGE, T)
            assert "x" not in hooks.posts[0][0]
        else:
            assert not failure(settings).again
            assert hooks.posts == []


@pytest.mark.parametrize(
    ("code", "again"), [(400, False), (401, False), (404, False), (408, True), (429, True), (500, True), (503, True)]
)
def test_answer_that_is_no_success_is_reported(code: int, again: bool) -> None:
    """Code and words of the server; whether it makes sense to try again soon."""
    with Hooks() as hooks:
        hooks.answer = lambda: (code, "nicht\nmöglich".encode())
        error = failure(Notify(webhook_url=hooks.url))
    assert f"answers {code}" in str(error)
    assert "nicht möglich" in str(error)
    assert error.again is again


@pytest.mark.parametrize("code", [301, 302, 303, 307, 308])
def test_redirect_is_not_followed(tmp_path: Path, code: int) -> None:
    """The secret belongs to one host."""
    (tmp_path / "secret").write_text("crumb")
    with Hooks() as other, Hooks() as hooks:
        hooks.answer, hooks.location = lambda: (code, b""), other.url
        error = failure(Notify(webhook_url=hooks.url, webhook_secret_file=str(tmp_path / "secret")))
    assert f"answers {code}" in str(error)
    assert other.posts == []


def test_server_that_is_down_or_mute_is_reported_within_the_limit() -> None:
    """Neither holds the thread longer than the time limit."""
    assert "cannot be reached" in str(failure(Notify(webhook_url=f"http://127.0.0.1:{free_port()}/")))
    with mute_server() as port:
        begun = time.monotonic()
        error = failure(Notify(webhook_url=f"http://127.0.0.1:{port}/", timeout_s=1))
        assert time.monotonic() - begun < 3
    assert error.again


def test_server_that_speaks_something_else_is_reported() -> None:
    """A mail server on that port."""
    with mute_server(b"220 mill.example ESMTP\r\n") as port:
        failure(Notify(webhook_url=f"http://127.0.0.1:{port}/", timeout_s=1))


def test_https_checks_the_certificate(tmp_path: Path) -> None:
    """With the authority's file it is delivered, without it is not."""
    with Hooks(tls_context(tmp_path)) as hooks:
        settings = Notify(webhook_url=hooks.url, timeout_s=3)
        assert "certificate" in str(failure(settings)).lower()
        WebhookChannel(replace(settings, webhook_ca_file=str(tmp_path / "cert.pem"))).send(MESSAGE, T)
    assert len(hooks.posts) == 1


def test_non_ascii_secret_is_a_notify_error_and_nothing_else(tmp_path: Path) -> None:
    """A header is Latin-1; what does not fit is refused in words."""
    (tmp_path / "secret").write_text("検針", encoding="utf-8")
    with Hooks() as hooks:
        failure(Notify(webhook_url=hooks.url, webhook_secret_file=str(tmp_path / "secret")))
