"""Users, sessions and guesses: what an intruder tries, and what a person who forgot a password meets."""

import stat
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import (
    IDLE_S,
    LONGEST_S,
    MOST_GUESSES,
    MOST_SESSIONS,
    WAIT_MOST_S,
    WAIT_S,
    FailedLogins,
    Sessions,
    UserFile,
    same,
)
from meterd.core.errors import ConfigError
from meterd.core.model.login import Login

GOOD = "flour and chalk"
NOW_MS = 1_777_888_800_000


class Hands:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def users(tmp_path: Path) -> UserFile:
    """One person who may look."""
    user_file = UserFile(tmp_path / "mill.users")
    user_file.keep("Anna", UserRole.LOOK, GOOD)
    return user_file


def test_a_password_is_kept_as_a_hash_that_only_the_owner_reads(users: UserFile) -> None:
    """The file holds Argon2id, not the password, and nobody else may read it."""
    stored = users.path.read_text()
    assert GOOD not in stored
    assert "$argon2id$" in stored
    assert stat.S_IMODE(users.path.stat().st_mode) == 0o600


@pytest.mark.parametrize(("name", "word"), [("Anna", "wrong"), ("Bert", GOOD), ("", ""), ("Anna", ""), ("anna", GOOD)])
def test_wrong_names_and_passwords_do_not_get_in(users: UserFile, name: str, word: str) -> None:
    """Only the exact pair does."""
    assert users.check(name, word) is None


def test_the_right_pair_gets_in(users: UserFile) -> None:
    """With the role that was given."""
    user = users.check("Anna", GOOD)
    assert user is not None
    assert user.role is UserRole.LOOK


@pytest.mark.parametrize(
    ("name", "role", "word", "says"),
    [
        ("Anna", UserRole.OPEN, GOOD, "needs no login"),
        ("Anna", UserRole.LOOK, "short", "10 to 200"),
        ("Anna", UserRole.LOOK, "x" * 201, "10 to 200"),
        ("", UserRole.LOOK, GOOD, "empty"),
        ("A\nb", UserRole.LOOK, GOOD, "line break"),
    ],
)
def test_what_cannot_be_a_user_is_refused(users: UserFile, name: str, role: UserRole, word: str, says: str) -> None:
    """With the reason, and nothing changes."""
    before = users.path.read_text()
    with pytest.raises(ConfigError, match=says):
        users.keep(name, role, word)
    assert users.path.read_text() == before


def test_a_broken_file_is_reported_and_lets_nobody_in(users: UserFile) -> None:
    """Garbage is a fault of the file, not an open door."""
    users.path.write_text('[{"name": "Eve", "role": "king", "hashed": ""}]')
    with pytest.raises(ConfigError, match="cannot read the users"):
        users.check("Eve", GOOD)


def test_who_is_removed_is_out_at_once(users: UserFile) -> None:
    """An open session ends with its user."""
    sessions = Sessions(users, lambda: NOW_MS)
    secret = sessions.begin(users.users()["Anna"])
    assert sessions.of(secret) is not None
    users.remove("Anna")
    assert sessions.of(secret) is None
    with pytest.raises(ConfigError, match="no user 'Anna'"):
        users.remove("Anna")


def test_a_new_password_ends_old_sessions_and_a_new_role_counts_at_once(users: UserFile) -> None:
    """Whoever has the old password is out; a changed role is seen with the next look."""
    sessions = Sessions(users, lambda: NOW_MS)
    secret = sessions.begin(users.users()["Anna"])
    users.keep("Anna", UserRole.CHANGE, "another word here")
    assert sessions.of(secret) is None
    fresh = sessions.of(sessions.begin(users.users()["Anna"]))
    assert fresh is not None
    assert fresh.role is UserRole.CHANGE


def test_an_access_ends_at_its_moment_also_for_who_is_logged_in(users: UserFile) -> None:
    """A millisecond before it the session is good; the end survives the file, and a later one lets in again."""
    moment = [NOW_MS]
    sessions = Sessions(users, lambda: moment[0])
    users.change("Anna", UserRole.LOOK, NOW_MS + 1000)
    secret = sessions.begin(UserFile(users.path).users()["Anna"])
    moment[0] += 999
    assert sessions.of(secret) is not None
    assert not users.users()["Anna"].over(moment[0])
    moment[0] += 1
    assert users.users()["Anna"].over(moment[0])
    assert sessions.peek(secret) is None
    users.change("Anna", UserRole.CHANGE, None)
    fresh = sessions.of(sessions.begin(users.users()["Anna"]))
    assert fresh is not None
    assert fresh.role is UserRole.CHANGE


def test_a_session_by_a_provider_ends_by_its_limit_or_with_another_plan(users: UserFile) -> None:
    """A user account of the same name has nothing to do with it."""
    moment, plan = [NOW_MS], [Login("https://login.mill.example", "meters")]
    sessions = Sessions(users, lambda: moment[0], login=lambda: plan[0])

    def begun() -> str:
        return sessions.begin_by_provider("Anna", UserRole.CHANGE, until_ms=NOW_MS + 1000, login=plan[0])

    first, second = begun(), begun()
    users.remove("Anna")
    session = sessions.of(first)
    assert session is not None
    assert (session.user, session.role) == ("Anna", UserRole.CHANGE)
    plan[0] = replace(plan[0], roles=(("staff", "look"),))
    assert sessions.of(first) is None
    third = begun()
    moment[0] += 1000
    assert sessions.of(third) is None
    plan[0] = Login()
    assert sessions.of(second) is None


def test_a_file_of_before_has_accounts_without_an_end(users: UserFile) -> None:
    """An account without an end is written as ever, so an older version reads it too; an end that is no number is refused."""
    assert "until_ms" not in users.path.read_text()
    users.change("Anna", UserRole.LOOK, NOW_MS)
    users.path.write_text(users.path.read_text().replace(str(NOW_MS), '"tomorrow"'))
    with pytest.raises(ConfigError, match="until_ms is not a whole number"):
        users.users()


def test_sessions_end_by_idleness_by_age_and_by_number(users: UserFile) -> None:
    """A shift without a look, a week in all, and never more than can be held."""
    hands = Hands()
    sessions = Sessions(users, lambda: NOW_MS, hands)
    anna = users.users()["Anna"]
    idle = sessions.begin(anna)
    hands.now_s += IDLE_S + 1
    assert sessions.of(idle) is None
    busy = sessions.begin(anna)
    for _ in range(int(LONGEST_S / IDLE_S) + 1):
        hands.now_s += IDLE_S - 1
        still = sessions.of(busy)
    assert still is None
    first = sessions.begin(anna)
    for _ in range(MOST_SESSIONS):
        sessions.begin(anna)
    assert sessions.of(first) is None


def test_guesses_wait_longer_and_longer_and_are_forgiven() -> None:
    """A few are free; then the wait doubles up to a quarter hour; the right password clears it."""
    hands = Hands()
    guesses = FailedLogins(hands)
    for _ in range(MOST_GUESSES - 1):
        guesses.wrong("name Anna")
        assert guesses.wait_s("name Anna") == 0
    guesses.wrong("name Anna")
    assert guesses.wait_s("name Anna") == WAIT_S
    guesses.wrong("name Anna")
    assert guesses.wait_s("name Anna") == 2 * WAIT_S
    for _ in range(20):
        guesses.wrong("name Anna")
    assert guesses.wait_s("name Anna") == WAIT_MOST_S
    assert guesses.wait_s("name Bert", "address 10.0.0.1") == 0
    guesses.right("name Anna")
    assert guesses.wait_s("name Anna") == 0


def test_tokens_are_compared_whole() -> None:
    """Nothing equals nothing, so an empty token never opens anything."""
    assert same("abc", "abc")
    assert not same("", "")
    assert not same("abc", "abd")
    assert not same("ä", "a")


def test_roles_include_each_other() -> None:
    """Change covers all, open covers itself alone."""
    assert [role.covers(UserRole.ACKNOWLEDGE) for role in UserRole] == [False, False, True, True]
