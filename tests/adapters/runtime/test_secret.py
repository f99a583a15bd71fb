"""A secret comes from the environment or a file; what is missing or no line of text is named with its place."""

from pathlib import Path

import pytest

from meterd.adapters.runtime.secret import secret
from meterd.core.errors import ConfigError


def test_it_is_the_variable_or_the_first_line_of_the_file_as_it_stands_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "password"
    file.write_bytes("päss word\r\nand a note\n".encode())
    monkeypatch.setenv("MILL_PASSWORD", " of the environment \n")
    assert secret("", str(file), "the password") == "päss word"
    assert secret("MILL_PASSWORD", str(file), "the password") == " of the environment "
    file.write_text("another", encoding="utf-8")
    assert secret("", str(file), "the password") == "another"
    assert secret("", "", "the password") == ""


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (None, r"cannot read the password from .*password: No such file or directory"),
        (b"", r"the password in .*password is empty or holds control characters; write it in one line"),
        (b"\nsecond line", "is empty"),
        (b"a\x00b", "holds control characters"),
        (b"\xff", "it is not UTF-8 text"),
    ],
)
def test_a_file_without_one_is_named(content: bytes | None, expected: str, tmp_path: Path) -> None:
    file = tmp_path / "password"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(ConfigError, match=expected) as caught:
        secret("", str(file), "the password")
    assert "second" not in str(caught.value)


def test_a_variable_without_one_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MILL_PASSWORD", raising=False)
    with pytest.raises(ConfigError, match="environment variable MILL_PASSWORD with the password is not set"):
        secret("MILL_PASSWORD", "", "the password")
    monkeypatch.setenv("MILL_PASSWORD", "")
    with pytest.raises(ConfigError, match="the password in environment variable MILL_PASSWORD is empty"):
        secret("MILL_PASSWORD", "", "the password")
