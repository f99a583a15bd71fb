"""What the jobs of the calendar do, in a process of their own: beside the loop, with their own memory.

A job writes nothing into the store itself: that a document was issued goes through the orders. Done twice, each gives the
same: a copy of a night replaces itself, a document keeps its record, a mail its Message-ID.
"""

import fcntl
import json
import os
import pickle
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path

from meterd.adapters.notify.email import Attachment, EmailChannel, Letter, compose_documents
from meterd.adapters.store.backup import Copy, inspect
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.texts.wording import say
from meterd.app.operations.archive import archive_months, in_words, target_of
from meterd.app.operations.document_request import MEDIA
from meterd.app.operations.documents import (
    CalendarPeriod,
    IssuedDocument,
    Recipient,
    costs,
    give_out,
    rendered,
    report,
)
from meterd.app.operations.job_request import JobRequest
from meterd.app.operations.people import backup_with_people, remove_backup
from meterd.app.operations.report_data import period_of
from meterd.app.operations.retention_job import retire
from meterd.core.errors import MeterdError, StoreError, described
from meterd.core.model.job_rules import mail_to
from meterd.core.model.kept_copies import kept_copies
from meterd.core.model.periods import Period, text
from meterd.core.model.schedule import month_of

TURN_S = 20.0  # the child of a daemon that was killed ends within a second or so
NAMED = 5  # changed rows in a message
CALENDAR = "calendar"  # who a document is given to where nobody gets mail


def answer(asked: bytes) -> bytes:
    """What the child says: the words of a job that is done, or why it is not."""
    request = pickle.loads(asked)  # from our own parent, by its pipe
    assert isinstance(request, JobRequest), "this is what the parent asks"
    try:
        return json.dumps({"done": True, "words": run_job(request)}).encode()
    except MeterdError as exc:
        message = str(exc)
    except Exception as exc:  # an edge of the house style: the parent has to say what went wrong
        message = described(exc)
    return json.dumps({"done": False, "words": message}).encode()


def run_job(request: JobRequest) -> str:
    """Do the work of a job; returns what was done. MeterdError says why it could not be."""
    with _alone(request.path):
        return WORK[request.job](request)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """One job at a time on a store, whichever process runs it; who is killed lets go."""
    lock = path.with_name(path.name + ".jobs.lock")
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as exc:
        raise StoreError(f"cannot create {lock}: {exc.strerror}; choose a folder that can be written") from exc
    try:
        deadline = time.monotonic() + TURN_S
        while not _locked(handle):
            if time.monotonic() > deadline:
                raise StoreError("another job of this store is running; wait until it has ended")
            time.sleep(0.1)
        yield
    finally:
        os.close(handle)


def _locked(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


# -- backup and verification -------------------------------------------------------------------------------------------


def _backup(request: JobRequest) -> str:
    schedule, site = request.plan.site.schedule, request.plan.site
    folder = Path(schedule.backup_folder)
    _see_room(request.path, folder, site.limits.disk_free_mb)
    target = folder / f"{site.name}-{request.slot}.sqlite"
    copy = backup_with_people(request.path, target)
    _refuse_changed(copy, target)
    copies = _copies(folder, site.name)
    staying = kept_copies(
        copies, daily=schedule.backup_days, weekly=schedule.backup_weeks, monthly=schedule.backup_months
    )
    gone = [path for day, path in copies.items() if day not in staying and path != target]
    for path in gone:
        remove_backup(path)
    removed = f", {len(gone)} older ones removed" if gone else ""
    return f"{target.name}: {copy.readings} readings, sound; {len(copies) - len(gone)} copies{removed}"


def _see_room(store: Path, folder: Path, free_mb: int) -> None:
    """StoreError if a copy would fill the disk of the folder: it may be that of the store."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        free, size = shutil.disk_usage(folder).free, store.stat().st_size
    except OSError as exc:
        raise StoreError(f"cannot use {folder}: {exc.strerror}; name a backup_folder that can be written") from exc
    needed = size + free_mb * 1_000_000
    if free < needed:
        message = f"{folder} has room for {free / 1e6:.0f} MB, a copy needs {needed / 1e6:.0f} MB"
        raise StoreError(f"{message}; make room, or keep fewer copies")


def _copies(folder: Path, site: str) -> dict[date, Path]:
    """The copies of a site by their day; other files are left alone."""
    copies = {}
    for path in folder.glob(f"{site}-????-??-??.sqlite"):
        with suppress(ValueError):
            copies[date.fromisoformat(path.stem.removeprefix(f"{site}-"))] = path
    return copies


def _refuse_changed(copy: Copy, path: Path) -> None:
    if copy.changed:
        message = f"{path} is not what was written: {'; '.join(copy.changed[:NAMED])}"
        raise StoreError(f"{message}; see with meterd verify PLAN, and restore a backup that holds")


def _verify(request: JobRequest) -> str:
    copy = inspect(request.path)
    _refuse_changed(copy, request.path)
    return f"{copy.readings} readings and all figures are what was written"


def _archive(request: JobRequest) -> str:
    """Every closed month that is not archived as it is now, the one before the slot among them."""
    _closed_month(request)
    written = archive_months(request.plan, request.path, target_of(request.plan), request.now_ms)
    return in_words(written)


def _retention(request: JobRequest) -> str:
    return retire(request.plan, request.path, request.now_ms)


# -- documents ---------------------------------------------------------------------------------------------------------


def _report(request: JobRequest) -> str:
    asked = _closed_month(request)
    lang = request.plan.site.page.language
    return _give(request, [report(request.plan, request.path, asked, lang=lang)], "report")


def _costs(request: JobRequest) -> str:
    """Of the month, and after December also of the year: some costs are divided once a year."""
    month = _closed_month(request)
    asked = [month]
    if month.words.endswith("-12"):
        asked.append(CalendarPeriod(Period.YEAR, month.words[:4]))
    lang, rules = request.plan.site.page.language, request.plan.site.allocations
    wanted = [item for item in asked if item.period is Period.YEAR or any(rule.per == "month" for rule in rules)]
    if not wanted:
        return "no cost is divided by the month"
    return _give(request, [costs(request.plan, request.path, item, lang=lang) for item in wanted], "costs")


def _closed_month(request: JobRequest) -> CalendarPeriod:
    """The month before the slot; StoreError if its figures are not closed yet."""
    message = month_of(request.slot)
    end_ms = period_of(message, Period.MONTH, request.plan.site)[1]
    with open_to_read(request.path) as store:
        closed_to = int(store.fact("closed_to_ms") or 0)
    if closed_to < end_ms:
        until = f"its figures are closed until {text(closed_to)}" if closed_to else "no figure is closed"
        raise StoreError(f"{message} is not closed yet: {until}; it is tried again")
    return CalendarPeriod(Period.MONTH, message)


def _give(request: JobRequest, documents: list[IssuedDocument], kind: str) -> str:
    """Issue documents as PDF and XLSX: into the folder, then by mail, which is the last thing done."""
    site, receivers = request.plan.site, mail_to(request.plan.site)
    recipient = Recipient(", ".join(receivers) or CALENDAR, request.now_ms)
    attachments = []
    for document in documents:
        for form, media in MEDIA.items():
            data = rendered(document.document, form)
            give_out(request.plan, request.path, document, data, recipient)
            name = f"{site.name}-{document.kind}-{document.words}-{site.page.language}.{form}"
            attachments.append(Attachment(name, media, data))
    done = []
    if site.schedule.documents_folder:
        _write(Path(site.schedule.documents_folder), attachments)
        done.append(f"{len(attachments)} files in {site.schedule.documents_folder}")
    if receivers:
        refused = _send(request, tuple(attachments), documents[0].words, kind=kind, receivers=receivers)
        done.append(f"sent to {', '.join(receivers)}" + (f"; {refused}" if refused else ""))
    return f"{', '.join(document.words for document in documents)}: {'; '.join(done)}"


def _write(folder: Path, attachments: list[Attachment]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for attachment in attachments:
            partial = folder / f".{attachment.name}.partial"
            partial.write_bytes(attachment.data)
            partial.replace(folder / attachment.name)
    except OSError as exc:
        message = f"cannot write into {folder}: {exc.strerror}"
        raise StoreError(f"{message}; name a documents_folder that can be written") from exc


def _send(
    request: JobRequest, attachments: tuple[Attachment, ...], period: str, *, kind: str, receivers: tuple[str, ...]
) -> str:
    site = request.plan.site
    lang, title = site.page.language, site.title or site.name
    subject = say(lang, f"jobs.mail_{kind}", site=title, period=period)
    body = say(lang, "jobs.mail_text", site=title, period=period, files="\n".join(a.name for a in attachments))
    mail = compose_documents(Letter(subject, body + "\n", attachments), request.now_ms, site.notify, receivers)
    return EmailChannel(site.notify).deliver(mail)


WORK: Mapping[str, Callable[[JobRequest], str]] = {
    "backup": _backup,
    "verify": _verify,
    "archive": _archive,
    "retention": _retention,
    "report": _report,
    "costs": _costs,
}
