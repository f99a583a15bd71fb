"""Tables of site.toml: every key that cannot be is refused with its place and what would be right."""

from pathlib import Path

import pytest

from tests.plan_faults import Case, label, refused

CASES: list[Case] = [
    ("site.toml", 'name = "mill"', 'name = "Mill 1"', "site.toml:2:1", "'Mill 1' is not a name", "mill-1"),
    ("site.toml", 'name = "mill"', 'name = "mill/1"', "site.toml:2:1", "'mill/1' is not a name", "mill-1"),
    ("site.toml", 'name = "mill"\n', "", "site.toml:1:1", "name is missing", "write the name"),
    ("site.toml", "Europe/Vienna", "Europe/Viena", "site.toml:3:1", "not in the IANA list", "Europe/Vienna?"),
    ("site.toml", "Europe/Vienna", "../../etc/passwd", "site.toml:3:1", "not in the IANA list", "known"),
    ("site.toml", "zone", "interval_s = 1000\nzone", "site.toml:3:1", "does not divide an hour", "900"),
    ("site.toml", "zone", "interval_s = 30\nzone", "site.toml:3:1", "too short", "900"),
    ("site.toml", "zone", 'interval_s = "900"\nzone', "site.toml:3:1", "'900' is not a number", "without quotes"),
    ("site.toml", "zone", "interval_s = true\nzone", "site.toml:3:1", "true is not a number", "12.5"),
    ("site.toml", "zone", 'prefix = "a/b"\nzone', "site.toml:3:1", "one level of a topic", "/ + # $"),
    ("site.toml", "zone", 'prefix = "a+"\nzone', "site.toml:3:1", "one level of a topic", "/ + # $"),
    ("site.toml", "zone", 'titel = "x"\nzone', "site.toml:3:1", "unknown key 'titel'", "did you mean title?"),
    ("site.toml", "[[repeat]]", "[brocker]\nport=1\n[[repeat]]", "site.toml:11:1", "unknown table", "mean broker?"),
    ("site.toml", "[[repeat]]", "[broker]\nport = 70000\n[[repeat]]", "site.toml:12:1", "no port 70000", "1883"),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\npassword = "x"\n[[repeat]]',
        "site.toml:12:1",
        "password in",
        "password_env",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[[source]]\nname = "far"\npassword = "x"\n[[repeat]]',
        "site.toml:13:1",
        "password in the plan",
        "password_file",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\npassword_env = "A"\npassword_file = "b"\n[[repeat]]',
        "site.toml:13:1",
        "two places",
        "keep",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\ncert_file = "c"\ntls = true\n[[repeat]]',
        "site.toml:11:1",
        "key_file",
        "cert_file and",
    ),
    ("site.toml", "[[repeat]]", '[broker]\nca_file = "c"\n[[repeat]]', "site.toml:11:1", "tls is off", "tls = true"),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\ntls = "yes"\n[[repeat]]',
        "site.toml:12:1",
        "neither true nor false",
        "true",
    ),
    (
        "site.toml",
        "[[repeat]]",
        "[limits]\ngap_s = 1\n[[repeat]]",
        "site.toml:12:1",
        "unknown key 'gap_s'",
        "gap_exact_s",
    ),
    ("site.toml", "[[repeat]]", "[limits]\nstop_limit_s = 0\n[[repeat]]", "site.toml:12:1", "less than 1", "1 or more"),
    ("site.toml", "[[repeat]]", "[limits]\nqueue_limit = inf\n[[repeat]]", "site.toml:12:1", "not finite", "12.5"),
    ("site.toml", "[[repeat]]", "[limits]\nqueue_limit = 1.5\n[[repeat]]", "site.toml:12:1", "not a whole", "write 2"),
    (
        "site.toml",
        'zone = "Europe/Vienna"',
        "zone = Europe/Vienna",
        "site.toml:3:8",
        "zone is not in quotes",
        '"Europe/Vienna"',
    ),
    ("site.toml", 'name = "south"', 'name = "North"', "site.toml:9:1", "'North' is not a name", "such as north"),
    ("site.toml", 'name = "south"', 'name = "nor-th"', "site.toml:9:1", "too like north", "separators"),
    ("site.toml", 'name = "south"', 'name = "south"\nnominal_v = 0', "site.toml:10:1", "not above zero", "above zero"),
    ("site.toml", '[[board]]\nname = "north"', "[[board]]", "site.toml:5:1", "name is missing", "write the name"),
]


@pytest.mark.parametrize("case", CASES, ids=label)
def test_each_rule_is_refused_with_place_reason_and_remedy(tmp_path: Path, case: Case) -> None:
    refused(tmp_path, case)
