"""[login] of site.toml: whole or refused, each fault with its place and remedy; no secret in the plan."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.login import Login
from tests.plans import FILES, SITE, write

WHOLE = (
    'issuer = "https://login.mill.example/people"\nclient_id = "meters"\n'
    'roles = { "mill-staff" = "look", "mill electricians" = "change" }\n'
)


def plan(folder: Path, table: str) -> Path:
    site = SITE.replace("[[board]]", f"[page]\nport = 8480\n\n[login]\n{table}\n[[board]]", 1)
    return write(folder, {**FILES, "site.toml": site})


def test_every_setting_is_read_and_files_are_beside_the_plan(tmp_path: Path) -> None:
    """Without the table there is no provider; roles keep their order."""
    assert load_plan(write(tmp_path / "without", FILES)).site.login == Login()
    table = (
        f'{WHOLE}client_secret_file = "secret"\nca_file = "ca.pem"\ntitle = "Mill login"\nscopes = ["openid", "groups"]\n'
        'name_claim = "email"\nroles_claim = "site.roles"\nsession_s = 0\ntimeout_s = 2\n'
    )
    folder = tmp_path / "with"
    assert load_plan(plan(folder, table)).site.login == Login(
        "https://login.mill.example/people", "meters", "", str(folder / "secret"), str(folder / "ca.pem"), "Mill login",
        ("openid", "groups"), "email", "site.roles", (("mill-staff", "look"), ("mill electricians", "change")), 0, 2,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("", "issuer is missing"),
        (WHOLE.replace("client_id", "# "), "client_id is missing"),
        (WHOLE.replace("roles", "# "), "roles is missing"),
        (WHOLE.replace("https", "http"), "http only on this machine"),
        (WHOLE.replace("https://", "https://a:b@"), "the issuer has a user in it"),
        (WHOLE.replace("/people", "/people?a=b"), "is not the address of an identity provider"),
        (WHOLE.replace('"change"', '"chief"'), "'chief' is not a role for 'mill electricians'; known: look"),
        (f'{WHOLE}scopes = ["profile"]', "is not a list of scopes with openid"),
        (f'{WHOLE}client_secret = "flour"', "client_secret in the plan"),
        (f'{WHOLE}client_secret_env = "A"\nclient_secret_file = "b"', "the secret has two places"),
        (f"{WHOLE}timeout_s = 0", "timeout_s"),
    ],
)
def test_what_is_wrong_is_told_with_its_remedy(tmp_path: Path, table: str, says: str) -> None:
    with pytest.raises(PlanError) as refused:
        load_plan(plan(tmp_path, table))
    assert says in str(refused.value)
    assert "flour" not in str(refused.value)


def test_a_login_without_a_page_is_warned_of(tmp_path: Path) -> None:
    site = SITE.replace("[[board]]", f"[login]\n{WHOLE}\n[[board]]", 1)
    (warning,) = [
        item for item in load_plan(write(tmp_path, {**FILES, "site.toml": site})).warnings if "log in" in str(item)
    ]
    assert "there is no page to log in at" in str(warning)
