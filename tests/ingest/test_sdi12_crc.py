"""The SDI-12 CRC against the standard's printed replies and a reference implementation."""

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest.sdi12_crc import crc_characters, crc_value

# Provenance: printed, SDI-12 version 1.4, 4.4.12.3 a to f and 5.1 (text, CRC).
PRINTED = [
    (b"0+3.14", b"OqZ"),
    (b"0+3.14+2.718+1.414", b"Ipz"),
    (b"0+1.11+2.22+3.33+4.44+5.55+6.66", b"I]q"),
    (b"0+7.77+8.88+9.99", b"IvW"),
    (b"0+3.14+2.718", b"IWO"),
    (b"0+2.718", b"Gbc"),
    (b"0+1.414", b"GtW"),
    (b"1+1.23+2.34+345+4.4678", b"KoO"),
    (b"0+1.234-4.56+12354-0.00045+2.223+145.5+7.7003+4328.8+9+10+11.433+12", b"Ba]"),
]
arc = crcmod.predefined.mkCrcFun("crc-16")  # reference code: crcmod 1.7, CRC-16/ARC
texts = st.binary(min_size=1, max_size=80).map(lambda raw: bytes(b & 0x7F for b in raw))


@pytest.mark.parametrize(("text", "crc"), PRINTED)
def test_printed_replies(text, crc):
    assert crc_characters(text) == crc


def test_an_aborted_reply_carries_the_crc_of_its_address():
    # Reference code: crcmod 1.7 gives 0x1400 for "0"; by hand from 4.4.12.2: 1, 0x10, 0.
    assert arc(b"0") == 0x1400
    assert crc_characters(b"0") == b"AP@"


def test_check_value_of_the_algorithm():
    # Check value of CRC-16/ARC in the catalogue of parametrised CRC algorithms: from memory,
    # confirmed by crcmod 1.7.
    assert crc_value(b"123456789") == arc(b"123456789") == 0xBB3D


@given(texts)
def test_equals_the_reference_implementation(text):
    assert crc_value(text) == arc(text)


@given(texts, st.data())
def test_one_changed_character_changes_the_crc(text, data):
    place = data.draw(st.integers(0, len(text) - 1))
    change = data.draw(st.integers(1, 0x7F))
    damaged = bytearray(text)
    damaged[place] ^= change
    assert crc_characters(bytes(damaged)) != crc_characters(text)


@given(texts)
def test_a_written_crc_can_not_be_taken_for_values(text):
    assert all(0x40 <= character <= 0x7F for character in crc_characters(text))
