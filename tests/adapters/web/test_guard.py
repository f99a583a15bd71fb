"""Under the path of a proxy, and while somebody asks for far too much."""

import re
import threading
from pathlib import Path

import httpx
import pytest

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow
WORD = "flour and chalk"
ROOT = "/energy/mill"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Where the store of the small site lies, with somebody who may look."""
    path = tmp_path / "gate-works.sqlite"
    UserFile(path.with_name(path.name + ".users")).keep("look", UserRole.LOOK, WORD)
    return path


@pytest.mark.parametrize("before", ["", ROOT], ids=["the proxy takes it off", "the proxy leaves it"])
def test_every_way_bears_the_path_of_the_proxy(store: Path, before: str) -> None:
    """Links, forms, files, redirects and cookies; the health check of the machine itself goes on without it."""
    with serving(store, path=ROOT) as address, httpx.Client(base_url=address, timeout=60) as client:
        for page_name in (
            "/now",
            "/balance",
            "/point?point=joinery",
            "/findings",
            "/data",
            "/find?q=joinery",
            "/pv",
            "/commissioning",
        ):
            response = client.get(before + page_name)
            assert response.status_code == 200, page_name
            ways = re.findall(r'(?:href|src|action)="(/[^"]*)"', response.text)
            assert len(ways) > 10
            assert [way for way in ways if not way.startswith(f"{ROOT}/")] == [], page_name
            assert f'data-root="{ROOT}"' in response.text
        assert client.get(before + "/static/page.css").status_code == 200
        assert client.get(before + "/").headers["location"] == f"{ROOT}/now"
        came = client.post(before + "/login", data={"name": "look", "password": WORD, "to": "/findings?id=a"})
        assert came.headers["location"] == f"{ROOT}/findings?id=a"
        assert f"path={ROOT};" in came.headers["set-cookie"].lower()
        assert client.get(before + "/documents", headers={"cookie": "meterd_session_gate-works=x"}).headers[
            "location"
        ] == (f"{ROOT}/login?to=/documents")
        assert client.get("/api/openapi.json").json()["servers"] == [{"url": ROOT}]
        assert client.get("/health").status_code == 200


def test_secure_follows_the_scheme_that_a_named_proxy_tells(store: Path) -> None:
    """Of a proxy that the plan does not name nothing is believed; its people can log in all the same."""
    browser = {"origin": "https://127.0.0.1", "host": "127.0.0.1", "sec-fetch-site": "same-origin"}
    form = {"name": "look", "password": WORD}
    with serving(store, proxies=("127.0.0.0/8",)) as address:
        response = httpx.post(f"{address}/login", data=form, headers={**browser, "x-forwarded-proto": "https"})
        assert (response.status_code, "secure" in response.headers["set-cookie"].lower()) == (303, True)
        assert "strict-transport-security" in response.headers
    with serving(store) as address:
        response = httpx.post(f"{address}/login", data=form, headers={**browser, "x-forwarded-proto": "https"})
        assert (response.status_code, "secure" in response.headers["set-cookie"].lower()) == (303, False)


def test_ten_thousand_guesses_and_heavy_questions_leave_page_and_health_to_others(store: Path) -> None:
    """One machine guesses names without end and asks 24 heavy questions at once; another one gets in and gets answers."""
    stop = threading.Event()
    answers: list[int] = []

    def guess(number: int) -> None:
        with httpx.Client(base_url=address, timeout=60) as client:
            count = 0
            while not stop.is_set():
                count += 1
                answers.append(client.post("/login", data={"name": f"n{number}-{count}", "password": "x"}).status_code)

    def ask() -> None:
        with httpx.Client(base_url=address, timeout=60) as client:
            while not stop.is_set():
                answers.append(client.get("/balance?period=month").status_code)

    with serving(store) as address:
        jobs = [threading.Thread(target=guess, args=(n,)) for n in range(8)]
        jobs += [threading.Thread(target=ask) for _ in range(24)]
        for job in jobs:
            job.start()
        try:
            other = httpx.Client(transport=httpx.HTTPTransport(local_address="127.0.0.2"), base_url=address, timeout=30)
            with other as client:
                for _ in range(5):
                    assert client.get("/health").status_code == 200
                    assert client.get("/now").status_code == 200
                    assert client.post("/login", data={"name": "look", "password": WORD}).status_code == 303
        finally:
            stop.set()
            for job in jobs:
                job.join()
    assert 401 in answers
    assert set(answers) <= {200, 401, 503}
