"""M-Bus telegrams give the values another reader published for them; anything else is refused, never half believed."""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.serial.mbus_records import FUNCTIONS, BadTelegram, Telegram, find_frame, parse

VECTORS = Path(__file__).parents[3] / "vectors"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


FRAMES = {row["telegram"]: bytes.fromhex(row["hex"]) for row in rows("mbus_telegrams.csv")}


def telegram(body: bytes, *, address: int = 5, control: int = 8, header: bytes = bytes(12), kind: int = 0x72) -> bytes:
    data = bytes((control, address, kind)) + header + body
    return bytes((0x68, len(data), len(data), 0x68)) + data + bytes((sum(data) & 0xFF, 0x16))


def one(body: str) -> Telegram:
    return parse(telegram(bytes.fromhex(body)))


@pytest.mark.parametrize("name", FRAMES)
def test_published_telegrams_give_their_published_values(name: str) -> None:
    """mbus_records.csv: values another open reader gives for six electricity meters (rscada/libmbus, norm.xml)."""
    expected = [row for row in rows("mbus_records.csv") if row["telegram"] == name]
    records = parse(FRAMES[name]).records
    assert len(records) == len(expected)
    for row, record in zip(expected, records, strict=True):
        shown = (FUNCTIONS[record.function], record.storage, record.tariff, record.subunit, record.item.unit)
        assert shown == (row["function"], int(row["storage"]), int(row["tariff"]), int(row["subunit"]), row["unit"])
        assert record.item.value == pytest.approx(float(row["value"]), rel=1e-12)


def fixed(status: str, units: str, counters: str, identity: str = "78563412") -> Telegram:
    return parse(telegram(bytes.fromhex(f"{identity} 0A {status} {units} {counters}"), header=b"", kind=0x73))


def test_published_telegram_of_the_fixed_structure() -> None:
    """rscada/libmbus (BSD-3), test/test-frames/manual_frame2.hex: a water meter shows 1 l now and 135 l at a fixed date."""
    shown = parse(bytes.fromhex("6813136808057378563412 0A00E97E 01000000 35010000 3C16".replace(" ", "")))
    assert (shown.address, shown.secondary, shown.more) == (5, "12345678", False)
    assert [(r.key, r.item.value, r.item.unit, r.storage, r.obis) for r in shown.records] == [
        ("COUNTER1", 1, "", 0, ""), ("COUNTER2", 135, "", 1, ""),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("status", "units", "counters", "values"),
    # units by the table of libmbus (BSD-3); medium electricity is bits 6 and 7 of the first unit
    [
        ("00", "857E", "45230100 40230100", [(12_345_000, "Wh", "1.8.0"), (12_340_000, "Wh", "")]),
        ("01", "8214", "39300000 FEFFFFFF", [(12_345, "Wh", "1.8.0"), (-2, "W", "16.7.0")]),  # binary with a sign
        ("02", "853F", "45230100 01000000", [(12_345_000, "Wh", ""), (1, "", "")]),  # of a fixed date
        ("00", "8585", "01000000 02000000", [(1000, "Wh", "1.8.0"), (2000, "Wh", "")]),  # the first one has the code
        ("00", "8E1D", "36000000 0A000000", [(10_000, "Wh", "1.8.0"), (None, "W", "16.7.0")]),  # MJ; A is no digit
    ],
)
def test_counters_of_an_old_electricity_meter(
    status: str, units: str, counters: str, values: list[tuple[float | None, str, str]]
) -> None:
    shown = [(r.item.value, r.item.unit, r.obis) for r in fixed(status, units, counters).records]
    for (value, *rest), (expected, *wanted) in zip(shown, values, strict=True):
        assert (value, rest) == (None if expected is None else pytest.approx(expected, rel=1e-12), wanted)


def test_secondary_address_is_as_the_telegram_sends_it() -> None:
    header = bytes.fromhex("78563412 24 40 01 07 13 00 00 00".replace(" ", ""))
    assert parse(telegram(b"", header=header)).secondary == "1234567824400107"
    assert parse(telegram(b"", kind=0x78, header=b"")).secondary == ""


def test_obis_codes_stand_for_what_the_standard_fixes() -> None:
    codes = {record.obis: record.item.value for record in parse(FRAMES["three-phase-375"]).records if record.obis}
    assert codes == {"1.8.1": 1364, "1.8.2": 0, "16.7.0": -2}
    assert {r.obis for r in parse(FRAMES["more-follow"]).records} == {"1.8.0", "1.8.1", "1.8.2", "1.8.3", "1.8.4", ""}


def test_more_records_follow() -> None:
    assert parse(FRAMES["more-follow"]).more
    assert not parse(FRAMES["single-tariff"]).more


@pytest.mark.parametrize(
    ("body", "value", "unit", "obis"),
    [
        ("0403 10270000", 10_000, "Wh", "1.8.0"),
        ("04833C 10270000", 10_000, "Wh", "2.8.0"),  # VIFE 3C: only what flows backward
        ("04833B 10270000", 10_000, "Wh", "1.8.0"),
        ("0E07 563412907856", 5_678_901_234_560_000, "Wh", "1.8.0"),
        ("04FB01 0C000000", 12_000_000, "Wh", "1.8.0"),
        ("040E 10000000", 16_000_000 / 3600, "Wh", "1.8.0"),  # megajoules
        ("022B FEFF", -2, "W", "16.7.0"),
        ("02ABFC01 0A00", 10, "W", "36.7.0"),
        ("02FDC8FC02 D108", 225.7, "V", "52.7.0"),
        ("02FDDBFC03 0500", 0.5, "A", "71.7.0"),
        ("02FB2E 8813", 500.0, "Hz", "14.7.0"),
        ("052B 0000803F", 1.0, "W", "16.7.0"),
        ("0A2B 34F2", -234, "W", "16.7.0"),  # F as the highest digit is a minus sign
        ("0D03 C2 3412", 1234, "Wh", "1.8.0"),
        ("0D03 D2 3412", -1234, "Wh", "1.8.0"),
        ("0D03 E2 3412", 0x1234, "Wh", "1.8.0"),
        ("02FD3A 0700", 7, "", ""),  # dimensionless: the plan's unit counts, such as imp
        ("04AB74 10270000", 100.0, "W", "16.7.0"),  # VIFE 74: times 10^-2
    ],
)
def test_record_with_its_unit_and_code(body: str, value: float, unit: str, obis: str) -> None:
    (record,) = one(body.replace(" ", "")).records
    assert record.item.value == pytest.approx(value, rel=1e-12)
    assert (record.item.unit, record.obis) == (unit, obis)


@pytest.mark.parametrize(
    "body",
    [
        "0483 15 10270000",  # VIFE 15: no data available
        "0403 00000080",  # 80000000 says invalid
        "0503 0000C07F",  # NaN
        "0C03 AAAAAAAA",  # letters are no digits
        "0003",  # no data
        "0D03 03 434241",  # text
    ],
)
def test_value_the_meter_does_not_have_is_missing(body: str) -> None:
    (record,) = one(body.replace(" ", "")).records
    assert record.item.value is None


def test_equal_keys_are_numbered() -> None:
    keys = [record.key for record in one("02FD48010002FD480200022B0300").records]
    assert keys == ["02FD48", "02FD48#2", "022B"]


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (FRAMES["single-tariff"][:-3] + b"\x01" + FRAMES["single-tariff"][-2:], "check sum"),
        (FRAMES["single-tariff"][:-2], "no long frame"),
        (b"", "no long frame"),
        (telegram(b"\x04\x03\x00\x00"), "cut short"),
        (telegram(b"\x84"), "cut short"),
        (telegram(b"\x04\x83"), "cut short"),
        (telegram(b"", control=0x53), "no answer of a meter"),
        (telegram(b"", kind=0x74), "data structure 74"),
        (telegram(b"", kind=0x73), "12 bytes, it has 16"),
        (telegram(bytes.fromhex("78563412 0A 80 45 7E 00000001 00000002"), header=b"", kind=0x73), "is not sure"),
        (telegram(b"", header=bytes(11)), "header cut short"),
        (telegram(b"", header=bytes(11) + b"\x05"), "encrypted"),
    ],
)
def test_what_is_no_telegram_is_refused(frame: bytes, reason: str) -> None:
    with pytest.raises(BadTelegram, match=reason):
        parse(frame)


def test_frame_is_found_behind_noise_and_an_echo() -> None:
    frame = FRAMES["single-phase"]
    noise = b"\x10\x5b\x05\x60\x16" + b"\xe5\x68\x00\x68"
    dropped, result = find_frame(noise + frame + b"\x00")
    assert (dropped, result) == (len(noise) + len(frame), frame)
    assert find_frame(noise + frame[:20]) == (len(noise), None)


@given(st.integers(0, 7), st.integers(0, 10_000))
def test_one_wrong_bit_never_passes(bit: int, place: int) -> None:
    frame = bytearray(FRAMES["single-phase"])
    frame[4 + place % (len(frame) - 6)] ^= 1 << bit
    with pytest.raises(BadTelegram):
        parse(bytes(frame))


@settings(max_examples=300)
@given(st.binary(max_size=240))
def test_any_body_is_read_or_refused(body: bytes) -> None:
    try:
        records = parse(telegram(body)).records
    except BadTelegram:
        return
    assert len({record.key for record in records}) == len(records)


@given(st.binary(max_size=300))
def test_any_bytes_are_searched_without_end_or_error(data: bytes) -> None:
    dropped, frame = find_frame(data)
    assert 0 <= dropped <= len(data)
    assert frame is None or frame in data
