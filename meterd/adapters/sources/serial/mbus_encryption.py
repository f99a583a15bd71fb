"""Encrypted M-Bus telegrams (EN 13757-7): security mode 5 and mode 7 with its layer for authentication and fragments (AFL).

Pure but for the file of keys. Mode 5 is AES-128-CBC with a start value of the meter's identity and access number. Mode 7
derives a key of the message by AES-CMAC from its counter, which stands in the AFL before the header; its authentication code
is verified. Both begin with two bytes 2F, by which a wrong key is seen. Other modes are refused.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from meterd.core.errors import ConfigError

Keys = Mapping[str, bytes]  # the eight digits of a meter -> its key
NO_KEYS: Keys = {}
DIGITS, KEY_BYTES, BLOCK = 8, 16, 16
SEEN = b"\x2f\x2f"  # what decrypted text begins with
AFL = 0x90  # CI field
FRAGMENTS, HAS_CONTROL, HAS_LENGTH, HAS_COUNTER, HAS_CODE, HAS_KEY_ID = (1 << bit for bit in (14, 13, 12, 11, 10, 9))
CMAC_8 = 5  # kind of authentication code: AES-CMAC, its first eight bytes
KDF_A = 0x10  # of the bits 0x30 of the configuration extension: the only key derivation there is
ENCRYPTION, AUTHENTICATION = 0x00, 0x01  # what a derived key is for, from meter to master


class BadEncryption(ValueError):
    """The telegram cannot be decrypted; the words say why and what would help."""


@dataclass(frozen=True, slots=True)
class Afl:
    """What stands before the header of a telegram in mode 7."""

    counter: bytes
    kind: int  # of the authentication code
    authenticated: bytes  # bytes of the AFL that the code covers
    code: bytes


def keys_in(path: str) -> Keys:
    """The keys of a file, a line each: the eight digits of the meter and 32 hexadecimal ones. ConfigError says which line."""
    if not path:
        return NO_KEYS
    try:
        lines = Path(path).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(f"cannot read the keys of meters from {path}: {exc}") from exc
    keys: dict[str, bytes] = {}
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        meter, _, digits = line.strip().partition(" ")
        try:
            key = bytes.fromhex(digits)
        except ValueError:
            key = b""
        if len(meter) != DIGITS or not meter.isdecimal() or len(key) != KEY_BYTES:
            right = "write the eight digits of the meter, a blank and the 32 hexadecimal digits of its key"
            raise ConfigError(f"{path} line {number} is no key of a meter; {right}")
        keys[meter] = key
    return keys


def afl_of(data: bytes) -> tuple[Afl, bytes]:
    """The AFL at the begin of `data`, behind its CI field, and what follows it. BadEncryption if it is cut short."""
    end = 1 + data[0] if data else 0
    if not 3 <= end <= len(data):
        raise BadEncryption("AFL cut short")
    control, at = int.from_bytes(data[1:3], "little"), 3
    if control & FRAGMENTS:
        raise BadEncryption("telegrams in fragments are not read")

    def take(flag: int, count: int) -> bytes:
        nonlocal at
        start, at = at, at + (count if control & flag else 0)
        return data[start:at]

    kind, _, counter = take(HAS_CONTROL, 1), take(HAS_KEY_ID, 2), take(HAS_COUNTER, 4)
    code_at, behind = at, 2 if control & HAS_LENGTH else 0
    code = data[code_at : end - behind] if control & HAS_CODE else b""
    if at > end - behind:
        raise BadEncryption("AFL cut short")
    return Afl(counter, (kind[0] if kind else 0) & 0x0F, kind + counter + data[end - behind : end], code), data[end:]


def decrypted(header: bytes, body: bytes, keys: Keys, afl: Afl | None = None) -> bytes:
    """The records behind a long header (identity, maker, version, medium, access number, status, configuration).

    `afl` is what stood before it. BadEncryption if there is no key, a wrong one, or another mode.
    """
    meter, mode, blocks = header[3::-1].hex(), header[-1] & 0x1F, header[-2] >> 4
    if mode not in (5, 7):
        raise BadEncryption(f"encrypted in mode {mode}; only the modes 5 and 7 are read")
    key = keys.get(meter)
    if key is None:
        raise BadEncryption(f"the telegram is encrypted; encryption_keys_file holds no key of meter {meter}")
    extension = b""
    if mode == 7:
        extension, body = body[:1], body[1:]
    text, rest = body[: blocks * BLOCK], body[blocks * BLOCK :]
    if len(text) < blocks * BLOCK:
        raise BadEncryption("encrypted blocks cut short")
    if mode == 5:
        start = header[4:6] + header[:4] + header[6:8] + header[8:9] * 8
    else:
        start = bytes(BLOCK)
        if not extension or extension[0] & 0x30 != KDF_A or afl is None or len(afl.counter) != 4:
            raise BadEncryption("mode 7 without a key derivation that is known, or without its message counter")
        _verify(afl, b"\x72" + header + extension + body, derived(key, AUTHENTICATION, afl.counter, header[:4]))
        key = derived(key, ENCRYPTION, afl.counter, header[:4])
    plain = _aes_cbc(key, start, text)
    if plain[:2] != SEEN and blocks:
        raise BadEncryption(f"the key of meter {meter} in encryption_keys_file does not fit")
    return plain + rest


def derived(key: bytes, purpose: int, counter: bytes, identity: bytes) -> bytes:
    """The key of one message: AES-CMAC of purpose, message counter and identity, filled up with 07 (EN 13757-7, KDF-A)."""
    return _cmac(key, bytes((purpose,)) + counter + identity + b"\x07" * 7)


def _verify(afl: Afl, message: bytes, key: bytes) -> None:
    if afl.kind != CMAC_8 or len(afl.code) != 8:
        raise BadEncryption(f"authentication code of kind {afl.kind} is not read; only AES-CMAC of eight bytes")
    if _cmac(key, afl.authenticated + message)[:8] != afl.code:
        raise BadEncryption("the authentication code is wrong: another key, or changed on its way")


def _cmac(key: bytes, message: bytes) -> bytes:
    from cryptography.hazmat.primitives.ciphers import algorithms
    from cryptography.hazmat.primitives.cmac import CMAC

    code = CMAC(algorithms.AES(key))
    code.update(message)
    return bytes(code.finalize())


def _aes_cbc(key: bytes, start: bytes, text: bytes) -> bytes:
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

    decryptor = Cipher(algorithms.AES(key), modes.CBC(start)).decryptor()
    return bytes(decryptor.update(text) + decryptor.finalize())
