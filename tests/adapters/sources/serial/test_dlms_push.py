"""Notifications of customer ports are found in a stream, checked, decrypted, and read with the unit and scale they name."""

import csv
import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.serial.dlms_push import (
    FRAMINGS,
    BadTelegram,
    DlmsPushSource,
    Keys,
    decode,
    find,
    items_of,
    keys_of,
    settings_for,
)
from meterd.adapters.sources.values import wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import Piece, TcpDevice
from tests.adapters.sources.lines import Option, plan, running
from tests.adapters.sources.telegrams import crc_x25
from tests.brokers import until

VECTORS = Path(__file__).parents[3] / "vectors"
KEY, AUTH, TITLE = bytes(range(16)), bytes(range(0xD0, 0xE0)), b"TST\x00\x00\x00\x00\x01"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


TELEGRAMS = {row["telegram"]: row for row in rows("dlms_push.csv")}
LISTED = bytes.fromhex(TELEGRAMS["list of a customer port"]["hex"])
SEGMENTS = bytes.fromhex(TELEGRAMS["encrypted in two segments"]["hex"])
SEGMENTS_KEY = TELEGRAMS["encrypted in two segments"]["encryption_key"]
ENERGY = Input("q01", "1.8.0", "line", "1.8.0")


def hdlc(data: bytes, size: int = 2000) -> bytes:
    """Frames of so many bytes of data, one flag between two of them (ISO/IEC 13239, format type 3)."""
    data = b"\xe6\xe7\x00" + data
    parts = [data[at : at + size] for at in range(0, len(data), size)]
    out = b"\x7e"
    for part in parts:
        head = 0xA000 | (0x0800 if part is not parts[-1] else 0) | len(part) + 10
        head_bytes = head.to_bytes(2, "big") + b"\x02\x05\x21\x13"
        body = head_bytes + crc_x25(head_bytes).to_bytes(2, "little") + part
        out += body + crc_x25(body).to_bytes(2, "little") + b"\x7e"
    return out


def mbus(data: bytes, size: int = 245) -> bytes:
    """Long frames of so many bytes of data."""
    parts = [data[at : at + size] for at in range(0, len(data), size)]
    out = b""
    for number, part in enumerate(parts):
        body = bytes((0x53, 0xFF, number | 0x10 * (part is parts[-1]), 0x01, 0x67)) + part
        out += bytes((0x68, len(body), len(body), 0x68)) + body + bytes((sum(body) & 0xFF, 0x16))
    return out


def ciphered(plain: bytes, counter: int, *, authentication: bytes = b"") -> bytes:
    """A telegram of security suite 0, encrypted by another route than the reader's."""
    how, count = bytes((0x30 if authentication else 0x20,)), counter.to_bytes(4, "big")
    text = AESGCM(KEY).encrypt(TITLE + count, plain, how + authentication)
    inner = how + count + (text[:-4] if authentication else text[:-16])  # the tag has 12 bytes
    return b"\xdb\x08" + TITLE + b"\x82" + len(inner).to_bytes(2, "big") + inner


def energy(value: int) -> bytes:
    """A notification with one energy of so many Wh."""
    return (
        bytes.fromhex("0f40000000 00 0101 0203 0906 0100010800ff 06")
        + value.to_bytes(4, "big")
        + bytes.fromhex("02020f00161e")
    )


def carried(framing: str, telegram: bytes) -> bytes:
    next_frame, data_of = FRAMINGS[framing]
    dropped, whole = find(telegram, next_frame)
    assert whole is not None
    assert len(telegram) - dropped <= 1  # a flag may begin the next frame
    return data_of(whole)


def source(port: int, /, **options: Option) -> DlmsPushSource:
    site = plan("dlms-push", port, (ENERGY,), **options)
    return DlmsPushSource(site.sources[0], site)


@pytest.mark.parametrize("name", TELEGRAMS)
def test_published_telegrams_give_their_published_values(name: str) -> None:
    row = TELEGRAMS[name]
    data = bytes.fromhex(row["hex"])
    if row["framing"] != "apdu":
        data = carried(row["framing"], data)
    items = items_of(data, Keys(bytes.fromhex(row["encryption_key"])))
    shown = {code: (item.value, item.unit) for code, item in items.items() if item.value is not None}
    expected = {
        r["code"]: (float(r["value"]), r["unit"]) for r in rows("dlms_push_values.csv") if r["telegram"] == name
    }
    assert shown == {code: (pytest.approx(value, rel=1e-12), unit) for code, (value, unit) in expected.items()}


@pytest.mark.parametrize("authentication", [b"", AUTH])
def test_encrypted_telegram_by_another_route(authentication: bytes) -> None:
    data = ciphered(LISTED, 7, authentication=authentication)
    assert items_of(data, Keys(KEY, authentication)) == items_of(LISTED, Keys())
    assert items_of(data, Keys(KEY)) == items_of(LISTED, Keys())  # the tag is verified only where its key is known
    with pytest.raises(BadTelegram, match="encryption_key_file"):
        items_of(data, Keys())
    with pytest.raises(BadTelegram, match="another key"):
        items_of(data, Keys(bytes(16), authentication))


def test_changed_or_foreign_authenticated_telegram_is_refused() -> None:
    data = ciphered(energy(5), 7, authentication=AUTH)
    changed = data[:-20] + bytes((data[-20] ^ 1,)) + data[-19:]
    for wrong, keys in ((changed, Keys(KEY, AUTH)), (data, Keys(KEY, bytes(16)))):
        with pytest.raises(BadTelegram, match="the tag"):
            items_of(wrong, keys)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "no notification"),
        (bytes.fromhex("c401c1000600000001"), "no notification: it begins with c401"),
        (energy(5)[:-9], "cut short"),
        (bytes.fromhex("0f00000000 00 13 00"), "data type 19"),
        (bytes.fromhex("0f00000000 00 0a 85"), "a length beyond"),
        (bytes.fromhex("0f00000000 00") + b"\x01\x01" * 20 + b"\x00", "nested too deeply"),
        (bytes.fromhex("db08 5453540000000001 05 10 00000001"), "only encrypted"),
        (bytes.fromhex("db08 5453540000000001 06 30 00000001 ff"), "cut short"),
        (bytes.fromhex("db02 5453 06 20 00000001 ff"), "does not name its meter"),
    ],
)
def test_what_is_no_notification_is_refused(data: bytes, reason: str) -> None:
    with pytest.raises(BadTelegram, match=reason):
        items_of(data, Keys(KEY))


@pytest.mark.parametrize("framing", FRAMINGS)
def test_telegram_of_many_frames_is_put_together(framing: str) -> None:
    build = {"hdlc": hdlc, "mbus": mbus}[framing]
    assert carried(framing, build(LISTED, 60)) == LISTED
    assert carried(framing, build(LISTED, 7 if framing == "hdlc" else 30)) == LISTED


@pytest.mark.parametrize("framing", FRAMINGS)
def test_lost_frame_or_changed_byte_never_gives_a_value(framing: str) -> None:
    telegram = {"hdlc": hdlc, "mbus": mbus}[framing](LISTED, 100)
    next_frame, data_of = FRAMINGS[framing]
    for place in range(len(telegram)):
        changed = telegram[:place] + bytes((telegram[place] ^ 0x04,)) + telegram[place + 1 :]
        _, whole = find(changed, next_frame)
        if whole is not None:
            with pytest.raises(BadTelegram):
                items_of(data_of(whole), Keys())


@settings(max_examples=30)
@given(st.sampled_from(list(FRAMINGS)), st.data())
def test_any_split_and_noise_give_the_same_telegrams(framing: str, data: st.DataObject) -> None:
    build = {"hdlc": hdlc, "mbus": mbus}[framing]
    sent = [energy(number) for number in range(3)]
    noise = data.draw(st.binary(max_size=5).filter(lambda some: not {0x7E, 0x68} & set(some)))
    # a flag with noise behind it may look like the head of a long frame: the bytes at the end decide that
    stream = noise + b"".join(build(item, 30) + noise for item in sent) + b"\xff" * 2100
    next_frame, data_of = FRAMINGS[framing]
    buffer, got, at = b"", [], 0
    while at < len(stream):
        step = data.draw(st.integers(1, 60)) if at < 600 else 2100
        buffer, at = buffer + stream[at : at + step], at + step
        while True:
            dropped, telegram = find(buffer, next_frame)
            buffer = buffer[dropped:]
            if telegram is None:
                break
            got.append(data_of(telegram))
    assert got == sent


@settings(max_examples=100)
@given(st.binary(max_size=120), st.sampled_from([b"", b"\x0f\x00\x00\x00\x00\x00", b"\xdb\x08" + TITLE]))
def test_any_bytes_decode_to_readings_or_refusals(data: bytes, head: bytes) -> None:
    mine = (wanted(ENERGY, "1.8.0", Site("mill", "Europe/London")),)
    taken = decode(head + data, Keys(KEY), mine, 5)
    assert len(taken.readings) + len(taken.refusals) + taken.missing <= 1


@pytest.mark.slow
@pytest.mark.parametrize("framing", FRAMINGS)
def test_meter_is_read_as_often_as_asked(framing: str) -> None:
    def stream() -> Iterator[Piece]:
        for number in itertools.count(1):
            yield b"\xff\x00" + {"hdlc": hdlc, "mbus": mbus}[framing](energy(number), 20)
            yield 0.02

    with TcpDevice(greeting=stream) as device, running(source(device.port, framing=framing)) as taking:
        values = [int(taking.reading().value) for _ in range(3)]
        assert taking.source.counters()["garbage"] == 0
    assert values == sorted(set(values))
    assert all(value % 1000 == 0 for value in values)


@pytest.mark.slow
def test_lists_of_several_kinds_each_count_and_others_are_passed_over() -> None:
    """Powers come often, energies seldom: a seldom list is not lost to the period of a frequent one, nor missed in others."""
    power = bytes.fromhex("0f40000000 00 0101 0203 0906 0100010700ff 06 00000118 02020f00161b")
    other = bytes.fromhex("0f40000000 00 0101 0203 0906 0100030700ff 06 00000001 02020f00161d")

    def stream() -> Iterator[Piece]:
        for number in itertools.count(1):
            yield hdlc(energy(number) if number % 7 == 0 else other if number % 2 else power)
            yield 0.02

    inputs = (ENERGY, Input("q01", "16.7.0", "line", "1.7.0"))
    with TcpDevice(greeting=stream) as device:
        site = plan("dlms-push", device.port, inputs, period_s=0.4)
        with running(DlmsPushSource(site.sources[0], site)) as taking:
            assert [taking.reading("q01", "1.8.0").value % 7000 for _ in range(2)] == [0, 0]
            assert taking.reading("q01", "16.7.0").value == 280.0
            assert taking.source.refused() == {}
        with running(source(device.port, timeout_s=0.05)) as taking:  # shorter than from one energy to the next
            taking.reading("q01", "1.8.0")
            counters = taking.source.counters()
    assert (counters["garbage"], counters["timeouts"]) == (0, 0)


@pytest.mark.slow
def test_encrypted_port_with_its_key_in_a_file_and_without(tmp_path: Path) -> None:
    key = tmp_path / "port.key"
    key.write_text(SEGMENTS_KEY + "\n", encoding="utf-8")
    with TcpDevice(greeting=lambda: itertools.cycle((SEGMENTS, 0.05))) as device:
        with running(source(device.port, framing="mbus", encryption_key_file=str(key))) as taking:
            assert taking.reading().value == 12_937_000
        with running(source(device.port, framing="mbus")) as taking:
            assert until(lambda: taking.source.refused() != {})
            (refusal,) = taking.source.refused().values()
            assert "name its key by encryption_key_file" in refusal.reason


@pytest.mark.parametrize(("options", "what"), [({"framing": "x"}, "framing"), ({"period_s": 0.0}, "period_s")])
def test_wrong_options_are_named(options: dict[str, Option], what: str) -> None:
    with pytest.raises(ConfigError, match=f"option {what}"):
        settings_for(Source("line", "dlms-push", tuple({"host": "h", **options}.items())))


@pytest.mark.parametrize(
    ("text", "what"), [("12", "write its 32 or 64"), ("zz" * 16, "is no key"), (None, "is not set")]
)
def test_wrong_key_is_said_before_anything_is_read(
    text: str | None, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if text is not None:
        monkeypatch.setenv("PORT_KEY", text)
    row = Source("line", "dlms-push", (("host", "h"), ("encryption_key_env", "PORT_KEY")))
    with pytest.raises(ConfigError, match=what):
        keys_of(settings_for(row))
