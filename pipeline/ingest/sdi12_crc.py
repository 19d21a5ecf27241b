"""The cyclic redundancy check of SDI-12, section 4.4.12."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# The generator polynomial x^16 + x^15 + x^2 + 1 with its bits reversed, as 4.4.12.1 shifts
# right. The register starts at zero (known elsewhere as CRC-16/ARC).
POLYNOMIAL = 0xA001
CRC_LENGTH = 3
# Every character of a written CRC has this bit set, so none is a digit, a sign or a point.
CRC_BASE = 0x40


def _table() -> NDArray[np.uint16]:
    """Return the change of the register for each value of its low byte."""
    register: NDArray[np.uint16] = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        low = (register & 1).astype(bool)
        register = np.where(low, (register >> 1) ^ POLYNOMIAL, register >> 1).astype(np.uint16)
    return register


CRC_TABLE = _table()


def crc_value(text: bytes) -> int:
    """Return the 16-bit check of ``text``.

    Parameters
    ----------
    text : bytes
        From the address to the last character of data.

    References
    ----------
    SDI-12 specification, version 1.4, section 4.4.12.1.
    """
    register = 0
    for byte in text:
        register = (register >> 8) ^ int(CRC_TABLE[(register ^ byte) & 0xFF])
    return register


def crc_characters(text: bytes) -> bytes:
    """Return the three characters a sensor sends behind ``text``.

    Parameters
    ----------
    text : bytes
        From the address to the last character of data.

    References
    ----------
    SDI-12 specification, version 1.4, section 4.4.12.2.
    """
    value = crc_value(text)
    return bytes(CRC_BASE | part for part in (value >> 12, value >> 6 & 0x3F, value & 0x3F))
