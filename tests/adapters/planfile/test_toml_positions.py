"""Every key of a TOML text is found at its line and column."""

import tomllib
from collections.abc import Iterator, Mapping

from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.planfile.toml_positions import Path, key_places

TEXT = (
    """\
# comment = "not a key"
title = "[not.a.table]"   # x = 1
"quoted key" = 'it"""
    + """'s'
[a . b]
c.d = { e = 1, "f g" = [1, { h = 2 }] }
i = [
  1,  # one
  [2, "]"],
  { j = 3 },
]
[[t]]
n = 1979-05-27 07:32:00
[[t]]
n = '''
[x]
n = 1'''
[t.sub]
m = \"\"\"
m = "2"\"\"\"\"
[[t.deep]]
k = 1
[[t.deep]]
k = inf
"""
)
TEXT = TEXT.replace("'it's'", '"it\'s"')
PLACES: dict[Path, tuple[int, int]] = {
    ("title",): (2, 1),
    ("quoted key",): (3, 1),
    ("a", "b"): (4, 1),
    ("a", "b", "c", "d"): (5, 1),
    ("a", "b", "c", "d", "e"): (5, 9),
    ("a", "b", "c", "d", "f g", 1): (5, 28),
    ("a", "b", "c", "d", "f g", 1, "h"): (5, 30),
    ("a", "b", "i", 0): (7, 3),
    ("a", "b", "i", 1, 1): (8, 7),
    ("a", "b", "i", 2, "j"): (9, 5),
    ("t", 0): (11, 1),
    ("t", 0, "n"): (12, 1),
    ("t", 1, "n"): (14, 1),
    ("t", 1, "sub"): (17, 1),
    ("t", 1, "sub", "m"): (18, 1),
    ("t", 1, "deep", 1, "k"): (23, 1),
}


def paths(values: object, path: Path = ()) -> Iterator[Path]:
    """All paths of a document, without those of the empty top."""
    if path:
        yield path
    if isinstance(values, Mapping):
        for key, value in values.items():
            yield from paths(value, (*path, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from paths(value, (*path, index))


def test_keys_of_a_text_with_every_kind_of_value() -> None:
    results = key_places(TEXT)
    assert {path: results.get(path) for path in PLACES} == PLACES


def test_no_key_is_missed_and_none_is_invented() -> None:
    assert set(key_places(TEXT)) == set(paths(tomllib.loads(TEXT)))


KEYS = st.from_regex(r"[a-z]{1,3}", fullmatch=True)
SCALARS = st.sampled_from(
    ["1", "-2.5", "true", "inf", "2024-01-01", '"a # b"', "'[x]'", '"""\n\\""\nk = 1"""', "'''\n]'''"]
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.lists(inner, min_size=1, max_size=3).map(lambda items: "[\n  " + ", # c ]\n  ".join(items) + ",\n]"),
        st.dictionaries(KEYS, inner, max_size=3).map(
            lambda d: f"{{ {', '.join(f'{k} = {v}' for k, v in d.items())} }}"
        ),
    ),
    max_leaves=8,
)


@given(st.dictionaries(KEYS, VALUES), st.lists(st.tuples(KEYS, st.dictionaries(KEYS, VALUES)), max_size=4))
def test_any_document_has_a_place_for_each_key(top: dict[str, str], tables: list[tuple[str, dict[str, str]]]) -> None:
    lines = [f"{key} = {value}" for key, value in top.items()]
    for name, keys in tables:
        lines += [f"[[x{name}.rows]]", *(f"{key} = {value}" for key, value in keys.items())]
    text = "\n".join(lines)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # an array of tables under a key that is taken
    results = key_places(text)
    assert set(results) == set(paths(values))
    split = text.split("\n")
    for path, (line, column) in results.items():
        if isinstance(path[-1], str) and not str(path[0]).startswith("x"):
            assert split[line - 1][column - 1 :].startswith(path[-1])
