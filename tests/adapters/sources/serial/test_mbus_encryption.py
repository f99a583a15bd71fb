"""Encrypted M-Bus telegrams: published ones give their published values, and no wrong key is believed.

Mode 5: OMS Specification volume 2, annex N, example N.5.4 (an M-Bus telegram of a heat cost allocator, partly encrypted).
Mode 7: CEN/TR 17167:2018, F.3, header and records of its wireless example in a frame of two wires; keys and code as published.
"""

import itertools
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.serial.mbus import settings_for
from meterd.adapters.sources.serial.mbus_encryption import AUTHENTICATION, ENCRYPTION, derived, keys_in
from meterd.adapters.sources.serial.mbus_records import BadTelegram, parse
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Source
from tests.adapters.sources.serial.test_mbus_records import telegram

KEY = bytes(range(16))
MODE_5 = bytes.fromhex(
    "682C2C6808FD 72887766559344550800041005 00DFE2A782146D1513581CD2F83F3904 0CFD10785634120C78443322112616"
)
AFL, TPL = "0F002C25B30A0000AF5D74DF73A600D9", "7278563412931533037500200710"
RECORDS = "9058475F4BC91DF878B80A1B0F98B629024AAC727942BFC549233C0140829B93"
HEADER = bytes.fromhex("78563412 2440 0102 2A 00 2005")  # two blocks in mode 5


def sealed(body: bytes, key: bytes = KEY, *, address: int = 5) -> bytes:
    """A telegram of meter 12345678 in mode 5, encrypted by the same library the other way round."""
    start = HEADER[4:6] + HEADER[:4] + HEADER[6:8] + HEADER[8:9] * 8
    text = (b"\x2f\x2f" + body).ljust(32, b"\x2f")
    encryptor = Cipher(algorithms.AES(key), modes.CBC(start)).encryptor()
    return telegram(encryptor.update(text) + encryptor.finalize(), address=address, header=HEADER)


def mode_7(afl: str = AFL, records: str = RECORDS) -> bytes:
    return telegram(bytes.fromhex(afl + TPL + records), header=b"", kind=0x90)


def test_published_telegram_of_mode_5() -> None:
    shown = parse(MODE_5, {"55667788": KEY})
    assert shown.secondary == "5566778893445508"
    values = {record.key: record.item.value for record in shown.records}
    assert values == {"0B6E": 1234, "426C": 0x04FE, "4B6E": 23456, "0CFD10": 12_345_678, "0C78": 11_223_344}


def test_published_keys_and_telegram_of_mode_7() -> None:
    counter, identity = bytes.fromhex("B30A0000"), bytes.fromhex("78563412")
    assert derived(KEY, ENCRYPTION, counter, identity).hex().upper() == "ECCF39D475D730B8284FDFDC1995D52F"
    assert derived(KEY, AUTHENTICATION, counter, identity).hex().upper() == "C9CD19FF5A9AAD5A6BBDA13BD2C4C7AD"
    records = parse(mode_7(), {"12345678": KEY}).records
    assert [(r.key, r.item.value) for r in records] == [("0C14", 2_850_427), ("046D", 0x151F3732), ("02FD17", 0)]


@given(place=st.integers(0, 31), bit=st.integers(0, 7))
def test_a_changed_bit_of_mode_7_is_refused(place: int, bit: int) -> None:
    changed = bytearray.fromhex(RECORDS)
    changed[place] ^= 1 << bit
    with pytest.raises(BadTelegram, match="authentication code is wrong"):
        parse(mode_7(records=changed.hex()), {"12345678": KEY})


@pytest.mark.parametrize(
    ("frame", "keys", "text"),
    [
        (MODE_5, {}, "encryption_keys_file holds no key of meter 55667788"),
        (MODE_5, {"55667788": bytes(16)}, "key of meter 55667788 in encryption_keys_file does not fit"),
        (mode_7(), {"12345678": bytes(16)}, "authentication code is wrong"),
        (mode_7(afl="0F006C" + AFL[6:]), {"12345678": KEY}, "fragments"),
        (mode_7(afl="0F002C26" + AFL[8:]), {"12345678": KEY}, "code of kind 6"),
        (mode_7(afl="03002C25"), {"12345678": KEY}, "AFL cut short"),
        (
            telegram(bytes.fromhex(TPL[-2:] + RECORDS), header=bytes.fromhex(TPL[2:-2])),
            {"12345678": KEY},
            "message counter",
        ),
        (sealed(b"")[:20] + sealed(b"")[-2:], {"12345678": KEY}, "no long frame"),
        (telegram(bytes(16), header=HEADER), {"12345678": KEY}, "blocks cut short"),
        (telegram(bytes(32), header=HEADER[:-1] + b"\x0d"), {"12345678": KEY}, "mode 13"),
        (telegram(bytes(32), header=HEADER[8:], kind=0x7A), {"12345678": KEY}, "does not say which meter"),
        (telegram(b"\x01", header=b"", kind=0x90), {}, "AFL cut short"),
        (telegram(b"\x02\x00\x00", header=b"", kind=0x90), {}, "data structure 00"),
    ],
    ids=itertools.count(),
)
def test_what_cannot_be_decrypted_is_refused_in_words(frame: bytes, keys: dict[str, bytes], text: str) -> None:
    with pytest.raises(BadTelegram, match=text):
        parse(frame, keys)


@given(st.binary(max_size=80))
def test_any_bytes_give_a_telegram_or_words(body: bytes) -> None:
    """Behind an AFL and behind a header that says encrypted; nothing but BadTelegram is raised."""
    frames = (
        telegram(body, header=b"", kind=0x90),
        telegram(body, header=HEADER),
        telegram(body, header=HEADER[:-1] + b"\x07"),
    )
    for frame in frames:
        try:
            parse(frame, {"12345678": KEY})
        except BadTelegram:
            continue


def test_keys_are_a_line_each(tmp_path: Path) -> None:
    file = tmp_path / "keys"
    file.write_text(f"# cellar\n\n12345678 {KEY.hex()}\n00000001  {KEY.hex(' ').upper()}\n", encoding="utf-8")
    assert keys_in(str(file)) == {"12345678": KEY, "00000001": KEY}
    for line in ("5 00", f"1234567x {KEY.hex()}", "12345678 no", "12345678"):
        file.write_text(f"# cellar\n{line}\n", encoding="utf-8")
        with pytest.raises(ConfigError, match="line 2 is no key of a meter; write the eight digits"):
            keys_in(str(file))
    with pytest.raises(ConfigError, match="cannot read the keys of meters"):
        keys_in(str(tmp_path / "none"))


def test_the_extra_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterd.adapters.sources.serial.mbus.find_spec", lambda _: None)
    row = Source("bus", "mbus", (("host", "h"), ("encryption_keys_file", "keys")))
    with pytest.raises(ConfigError, match=r"pip install 'meterd\[encrypted\]'"):
        settings_for(row)
