"""[notify] of site.toml: whole or refused, each fault with its place and remedy; no secret in the plan."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import Notify
from tests.plans import FILES, SITE, write

MAIL = 'email_to = "duty@mill.example chief@mill.example"\nemail_from = "meterd@mill.example"\nsmtp_host = "mail.example"\n'


def plan(folder: Path, table: str) -> Path:
    return write(folder, {**FILES, "site.toml": SITE.replace("[[board]]", f"[notify]\n{table}\n[[board]]", 1)})


def test_without_the_table_nobody_is_notified(tmp_path: Path) -> None:
    """The defaults."""
    assert load_plan(write(tmp_path, FILES)).site.notify == Notify()


def test_every_setting_is_read_and_files_are_beside_the_plan(tmp_path: Path) -> None:
    """Texts, numbers, a list of receivers; file names are relative to the plan."""
    table = (
        "wait_s = 0\nclear_s = 30\nrepeat_h = 12\ngap_s = 0\nmost_per_message = 5\ntimeout_s = 3\n"
        'email_to = ["duty@mill.example"]\nemail_from = "m@mill.example"\nsmtp_host = "mail"\nsmtp_port = 465\n'
        'smtp_security = "tls"\nsmtp_username = "mill"\nsmtp_password_file = "secret"\nsmtp_ca_file = "ca.pem"\n'
        'webhook_url = "https://hooks.mill.example/a?b=c"\nwebhook_header = "X-Secret"\nwebhook_secret_env = "HOOK"\n'
    )
    settings = load_plan(plan(tmp_path, table)).site.notify
    assert settings == Notify(
        0, 30, 12, 0, 5, 3, ("duty@mill.example",), "m@mill.example", "mail", 465, "tls", "mill", "",
        str(tmp_path / "secret"), str(tmp_path / "ca.pem"), "https://hooks.mill.example/a?b=c", "X-Secret", "HOOK",
    )  # fmt: skip


def test_receivers_may_stand_in_one_text(tmp_path: Path) -> None:
    """Separated by spaces."""
    assert load_plan(plan(tmp_path, MAIL)).site.notify.email_to == ("duty@mill.example", "chief@mill.example")


CASES = [
    ('email_to = "a@b.example"', "email_from is missing", "mail needs email_to, email_from, smtp_host"),
    (MAIL.replace("duty@mill.example", "Duty <duty@mill.example>"), "is not a mail address", "without a name"),
    (MAIL.replace("meterd@mill.example", "a@b\\r\\nBcc: x@y.example"), "line break", "one line"),
    (MAIL + "smtp_port = 70000", "there is no port 70000", "587"),
    (MAIL + 'smtp_security = "ssl"', "security 'ssl' is not known", "starttls, tls, none"),
    (MAIL + 'smtp_security = "none"\nsmtp_username = "mill"', "over an open line", "starttls"),
    (MAIL + 'smtp_password = "crumb"', "unknown key 'smtp_password'", "smtp_password_env"),
    (MAIL + 'password = "crumb"', "password in the plan", "password_file"),
    (MAIL + 'smtp_password_env = "A"\nsmtp_password_file = "b"', "two places", "keep"),
    ('webhook_url = "ftp://x"', "is not a web address", "https://"),
    ('webhook_url = "https://user:crumb@x/"', "is not a web address", "without user and password"),
    ('webhook_url = "https://münze.example/"', "is not a web address", "https://"),
    ('webhook_url = "https://x/"\nwebhook_header = "A: b"', "not the name of a header", "X-Secret"),
    ('webhook_url = "https://x/"\nwebhook_secret_env = "A"\nwebhook_secret_file = "b"', "two places", "keep"),
    ("repeat_h = 0", "less than 1", "1 or more"),
    ("wait_s = -1", "less than 0", "0 or more"),
    ("wait = 1", "unknown key 'wait'", "wait_s"),
]


@pytest.mark.parametrize(("table", "what", "right"), CASES)
def test_fault_is_refused_with_its_remedy(tmp_path: Path, table: str, what: str, right: str) -> None:
    """What is wrong, and what would be right."""
    with pytest.raises(PlanError) as caught:
        load_plan(plan(tmp_path, table))
    assert any(
        what in fault.what and right in fault.right and fault.file == "site.toml" for fault in caught.value.faults
    ), str(caught.value)


def test_secret_over_an_open_line_is_warned_of(tmp_path: Path) -> None:
    """On this machine it may be wanted."""
    faults = load_plan(plan(tmp_path, 'webhook_url = "http://127.0.0.1/"\nwebhook_secret_env = "A"')).warnings
    assert any("open line" in warning.what for warning in faults)
