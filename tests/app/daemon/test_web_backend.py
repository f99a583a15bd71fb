"""What the page is handed by a daemon: its store, orders and documents, and words for what cannot be."""

import socket
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.web.users import users_path
from meterd.app.daemon.web_backend import DaemonWebBackend, served
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import Period
from meterd.core.model.plan import Page
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import Correction
from meterd.core.reports.content import DocumentRequest
from tests.adapters.web.web_backends import BEGIN_MS, kept, small_site

FEEDER = "joinery"


@pytest.fixture
def backend(tmp_path: Path) -> DaemonWebBackend:
    return DaemonWebBackend(kept(small_site(Page(port=0)), tmp_path / "s.sqlite"))


def doubled(backend: DaemonWebBackend, number: int = 0) -> Correction:
    """The feeder counted half, for good."""
    return Correction(
        number, FEEDER, IMPORT, from_ms=BEGIN_MS, until_ms=None, factor="2", reason="CT 100/5 read as 50/5",
        person="Ada", made_ms=backend.now_ms(),
    )  # fmt: skip


def figures_of(backend: DaemonWebBackend) -> list[int]:
    """Interval energies of the feeder, as versions of its figures have them."""
    results = []
    with backend.reader() as store:
        for start in store.interval_starts((FEEDER, IMPORT), 0, 2**62):
            results.append(store.versions((FEEDER, IMPORT), Period.INTERVAL, start)[-1].energy)
    return [energy for energy in results if energy is not None]


def test_each_look_has_a_store_of_its_own_that_is_closed_behind_it(backend: DaemonWebBackend) -> None:
    """Any thread may look, and two at once; what is asked of a store behind its look fails."""
    with backend.reader() as first, backend.reader() as second:
        assert first.channels() == second.channels() != []
    with pytest.raises(Exception, match="closed"):
        first.channels()


def test_a_store_that_is_gone_is_an_error_in_words(backend: DaemonWebBackend) -> None:
    backend._daemon.store_path.unlink()
    with pytest.raises(StoreError, match="there is no store"), backend.reader():
        pass


def test_an_order_about_a_finding_is_carried_out_or_refused_in_words(backend: DaemonWebBackend) -> None:
    """No daemon runs here, so this process does it, as the command would."""
    name = f"stale-{FEEDER}"
    assert backend.order("see", name, "Ada", "")[0]
    with backend.reader() as store:
        (row,) = [row for row in store.finding_tables.all() if row.finding.id == name]
        assert row.state == "seen"
        assert [note.person for note in store.finding_tables.notes(name)][-1] == "Ada"
    assert backend.order("see", "stale-nobody", "Ada", "") == (
        False,
        "there is no finding stale-nobody; `meterd findings` lists them",
    )
    done, text = backend.order("delete", name, "Ada", "")
    assert not done
    assert text == "a finding is marked as seen, explained, closed or accepted"


def test_a_correction_is_shown_entered_and_taken_back(backend: DaemonWebBackend) -> None:
    """The preview changes nothing; entered it has a number, and taken back the figures are those from before."""
    before = figures_of(backend)
    preview = backend.preview(doubled(backend))
    assert preview.figures
    assert figures_of(backend) == before
    done, text = backend.correct(doubled(backend))
    assert done, text
    assert figures_of(backend) == [2 * energy for energy in before]
    done, text = backend.correct(replace(doubled(backend, 1), reason="it was right"))
    assert done, text
    assert figures_of(backend) == before
    done, text = backend.correct(replace(doubled(backend), factor="0"))
    assert not done
    assert "factor" in text


def test_a_document_of_a_month_without_figures_is_refused_in_words(backend: DaemonWebBackend) -> None:
    with pytest.raises(ConfigError, match="2031-01"):
        backend.document(DocumentRequest("report", "pdf", "2031-01", "en"), "Ada")


def test_users_stand_beside_the_store_unless_the_plan_says_where(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    assert users_path(small_site(Page()), path) == tmp_path / "s.sqlite.users"
    assert users_path(small_site(Page(users_file="/var/lib/users")), path) == Path("/var/lib/users")


def test_a_page_that_the_plan_does_not_want_is_not_served(backend: DaemonWebBackend) -> None:
    with served(backend._daemon) as address:
        assert address == ""


def test_a_port_that_another_program_has_stops_no_daemon(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The page is missing, the reason is in the log and as a finding, readings go on."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        site = small_site(Page(port=port))
        daemon = kept(site, tmp_path / "taken.sqlite")
        with served(daemon) as address:
            assert address == ""
            (finding,) = daemon._conditions()
    assert (finding.cause, finding.subject) == ("page-away", site.name)
    assert f"port {port}" in finding.text
    assert f"cannot serve the page at 127.0.0.1 port {port}" in caplog.text
