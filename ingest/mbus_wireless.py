"""Wireless M-Bus telegrams whose payload is not encrypted, as the wired ones they equal.

Read are telegrams from their L field on, without the checksums of the link layer. The
layouts (EN 13757-4: L, C, maker, address; EN 13757-7: long, short and no header) are from
memory; pymeterbus cuts the same headers off.
"""

from __future__ import annotations

#: C field of what a meter sends by itself, on installation, and in answer.
_SENDS, _INSTALLS, _ANSWERS = 0x44, 0x46, 0x08
#: Bits of an answer's C field that steer the traffic and change nothing of its content.
_TRAFFIC_BITS = 0x30
#: L, C, maker (2), serial (4), version, medium.
_LINK_BYTES = 10
_CI_LONG, _CI_SHORT, _CI_NONE = 0x72, 0x7A, 0x78
#: Extended link layer with two more bytes: communication control, access number.
_CI_EXTENDED, _EXTENDED_BYTES = 0x8C, 3
_HEADER_BYTES = {_CI_LONG: 12, _CI_SHORT: 4, _CI_NONE: 0}
_IDLE_FILLER = b"\x2f\x2f"


def encrypted(mode: int) -> str:
    """Say that a telegram is encrypted and what to do."""
    return (
        f"the telegram is encrypted (mode {mode}): the reader must decrypt it with the meter's "
        "key before it writes the file"
    )


def is_wireless(telegram: bytes) -> bool:
    """Say whether a telegram is meant as one of wireless M-Bus."""
    if len(telegram) <= _LINK_BYTES:
        return False
    control = telegram[1]
    known = control in (_SENDS, _INSTALLS) or control & ~_TRAFFIC_BITS == _ANSWERS
    # A wired telegram has 68 as first and fourth byte.
    return known and not (telegram[0] == 0x68 and telegram[3] == 0x68)


def as_long_frame(telegram: bytes) -> tuple[bytes, str]:
    """Give the long frame with the same header and records.

    Its length byte may have overflown, for a wireless telegram can hold more.

    Returns
    -------
    tuple
        The frame, and why it cannot be read; one of the two is empty.
    """
    said = len(telegram) - 1
    if telegram[0] != said:
        if len(telegram) == _length_with_checksums(telegram[0]):
            return b"", (
                "the telegram still holds the checksums of the radio link; let the receiver "
                "take them out"
            )
        return b"", (
            f"the wireless telegram says that {telegram[0]} bytes follow its first, but there "
            f"are {said}"
        )
    rest = telegram[_LINK_BYTES:]
    if rest[0] == _CI_EXTENDED:
        rest = rest[_EXTENDED_BYTES:]
    ci = rest[0] if rest else 0
    if ci not in _HEADER_BYTES:
        return b"", f"not a wireless telegram with variable data (CI field {ci:02X})"
    header, payload = rest[1 : 1 + _HEADER_BYTES[ci]], rest[1 + _HEADER_BYTES[ci] :]
    if len(header) < _HEADER_BYTES[ci]:
        return b"", "the wireless telegram ends within its header"
    maker, address = telegram[2:4], telegram[4:10]
    if ci != _CI_LONG:
        # The meter's address is that of the link layer, in another order.
        states = header or bytes(4)
        header = address[:4] + maker + address[4:] + states
    mode = header[-1] & 0x1F
    if mode and not payload.startswith(_IDLE_FILLER):
        return b"", encrypted(mode)
    body = bytes([_ANSWERS, 0, _CI_LONG]) + header + payload
    length = len(body) % 256
    return bytes([0x68, length, length, 0x68]) + body + bytes([sum(body) % 256, 0x16]), ""


def _length_with_checksums(said: int) -> int:
    """Length of a telegram of format A with two bytes after each of its blocks."""
    blocks = 1 + -(-max(said - 9, 0) // 16)
    return said + 1 + 2 * blocks
