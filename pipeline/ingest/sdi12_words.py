"""Compiled readers of single SDI-12 commands and replies, whatever came before them.

Positions are bytes in ``buffer``. Each fills fields of one record of `LINE`.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.ingest.sdi12_codes import (
    ACKNOWLEDGE,
    BAD_COMMAND,
    BAD_COMMAND_ADDRESS,
    BAD_REPLY_ADDRESS,
    BINARY,
    CHANGE,
    CONCURRENT,
    CONTINUOUS,
    CRC_RIGHT,
    CRC_WRONG,
    DATA,
    EMPTY,
    EXTENDED,
    HIGH_VOLUME,
    IDENTIFY,
    MEASURE,
    NO_ADDRESS,
    NO_TAIL,
    PROMISE,
    QUERY,
    RULE_CHARACTERS,
    RULE_DIGITS,
    RULE_EXPONENT,
    RULE_NO_DIGIT,
    RULE_POINTS,
    RULE_SIGN,
    SEND,
    TEXT,
    VALUE_DIGITS,
    VERIFY,
)
from pipeline.ingest.sdi12_crc import CRC_BASE, CRC_LENGTH, CRC_TABLE

_PLUS, _MINUS, _POINT, _UNDERLINE, _WILD = 43, 45, 46, 95, 63
_A, _B, _C, _D, _H, _I, _M, _R, _V, _X, _E = 65, 66, 67, 68, 72, 73, 77, 82, 86, 88, 69


@kernel
def _is_digit(byte):
    return 48 <= byte <= 57


@kernel
def _is_sign(byte):
    return byte == _PLUS or byte == _MINUS


@kernel
def _address(byte):
    """Return the place of an address among the 62, or NO_ADDRESS."""
    if 48 <= byte <= 57:
        return byte - 48
    if 65 <= byte <= 90:
        return byte - 55
    if 97 <= byte <= 122:
        return byte - 61
    return NO_ADDRESS


@kernel
def _number(buffer, at, stop):
    """Return the number written in digits from ``at`` to ``stop``, or -1."""
    if at >= stop:
        return -1
    value = 0
    for n in range(at, stop):
        if not _is_digit(buffer[n]):
            return -1
        value = 10 * value + np.int64(buffer[n]) - 48
    return value


@kernel
def _indexed(buffer, at, stop, code, least):
    """Return a command that may ask for a CRC and has a number of ``least`` to 9.

    With ``least`` 1 the number may be missing, which is the number 0.
    """
    crc = at < stop and buffer[at] == _C
    at += 1 if crc else 0
    if at == stop and least == 1:
        return code, 0, crc
    number = _number(buffer, at, stop)
    if stop - at == 1 and number >= least:
        return code, number, crc
    return BAD_COMMAND, 0, False


@kernel
def _send_word(buffer, at, stop):
    """Return a D or DB command; high-volume data are numbered to 999."""
    binary = at < stop and buffer[at] == _B
    at += 1 if binary else 0
    number = _number(buffer, at, stop)
    if number < 0 or stop - at > 3:
        return BAD_COMMAND, 0, False
    return (BINARY if binary else SEND), number, False


@kernel
def _start_word(buffer, at, stop):
    """Return the code, the number and whether a CRC is asked for, of a measurement command."""
    letter = buffer[at]
    if letter == _M:
        return _indexed(buffer, at + 1, stop, MEASURE, 1)
    if letter == _C:
        return _indexed(buffer, at + 1, stop, CONCURRENT, 1)
    if letter == _R:
        return _indexed(buffer, at + 1, stop, CONTINUOUS, 0)
    if letter == _V and stop - at == 1:
        return VERIFY, 0, False
    if letter == _H and stop - at == 2:
        if buffer[at + 1] == _A:
            return HIGH_VOLUME, 0, True  # high-volume data always carry a CRC
        if buffer[at + 1] == _B:
            return BINARY, 0, True
    return BAD_COMMAND, 0, False


@kernel
def _identify_word(buffer, at, stop):
    """Return IDENTIFY for I, for I before a measurement command, and for a parameter of it."""
    if at == stop:
        return IDENTIFY, 0, False
    end = stop
    if stop - at > 4 and buffer[stop - 4] == _UNDERLINE:
        end = stop - 4
        if _number(buffer, stop - 3, stop) < 0:
            return BAD_COMMAND, 0, False
    code = _start_word(buffer, at, end)[0]
    return (BAD_COMMAND if code == BAD_COMMAND else IDENTIFY), 0, False


@kernel
def _command_word(buffer, at, stop):
    """Return the code, the number and whether a CRC is asked for, behind an address."""
    letter = buffer[at]
    if letter == _D:
        return _send_word(buffer, at + 1, stop)
    if letter == _I:
        return _identify_word(buffer, at + 1, stop)
    if letter == _X:
        return EXTENDED, 0, False
    if letter == _A and stop - at == 2:
        new = _address(buffer[at + 1])
        return (BAD_COMMAND if new == NO_ADDRESS else CHANGE), np.int64(new), False
    return _start_word(buffer, at, stop)


@kernel
def read_command(buffer, at, stop, line):
    """Read the command from ``at`` to its "!" at ``stop`` into ``line``."""
    if stop <= at:
        line.command = BAD_COMMAND
        line.command_address = NO_ADDRESS
        return
    address = _address(buffer[at])
    line.command_address = address
    if buffer[at] == _WILD and stop - at == 1:
        line.command = QUERY
    elif address == NO_ADDRESS:
        line.command = BAD_COMMAND_ADDRESS
    elif stop - at == 1:
        line.command = ACKNOWLEDGE
    else:
        code, number, crc = _command_word(buffer, at + 1, stop)
        line.command = code
        line.command_index = number
        line.crc_asked = 1 if crc else 0


@kernel
def _crc_tail(buffer, at, end):
    """Return whether the three characters at ``end`` are the CRC of what begins at ``at``."""
    register = np.uint16(0)
    for n in range(at, end):
        register = (register >> 8) ^ CRC_TABLE[(register ^ buffer[n]) & 0xFF]
    value = np.int64(register)
    right = (
        np.int64(buffer[end]) == CRC_BASE | (value >> 12)
        and np.int64(buffer[end + 1]) == CRC_BASE | ((value >> 6) & 0x3F)
        and np.int64(buffer[end + 2]) == CRC_BASE | (value & 0x3F)
    )
    return CRC_RIGHT if right else CRC_WRONG


@kernel
def _tail(buffer, at, end, stop):
    """Return what stands between the last value and the end of the reply, or -1."""
    if end == stop:
        return NO_TAIL
    if stop - end != CRC_LENGTH:
        return -1
    for n in range(end, stop):
        if buffer[n] < CRC_BASE:
            return -1
    return _crc_tail(buffer, at, end)


@kernel
def _one_value(buffer, at, stop):
    """Return the end of the value whose sign is at ``at``, and the rule it breaks or 0."""
    at += 1
    digits, points = 0, 0
    while at < stop:
        byte = buffer[at]
        if _is_digit(byte):
            digits += 1
        elif byte == _POINT:
            points += 1
        else:
            break
        at += 1
    if 1 <= digits <= VALUE_DIGITS and points <= 1:
        return at, 0
    if points > 1:
        return at, RULE_POINTS
    return at, RULE_NO_DIGIT if digits == 0 else RULE_DIGITS


@kernel
def _odd_tail_rule(buffer, at, stop):
    """Return the rule broken by what follows the values without being a CRC."""
    exponent = (buffer[at] | 32) == 101 and at + 1 < stop
    if exponent and (_is_sign(buffer[at + 1]) or _is_digit(buffer[at + 1])):
        return RULE_EXPONENT
    return RULE_CHARACTERS


@kernel
def _read_values(buffer, at, stop, line):
    """Check and count the values behind the address at ``at``."""
    position, count, rule = at + 1, 0, 0
    while position < stop and _is_sign(buffer[position]):
        position, broken = _one_value(buffer, position, stop)
        rule = rule if rule else broken
        count += 1
    line.reply = DATA
    line.length = position - at - 1
    tail = _tail(buffer, at, position, stop)
    if tail < 0:
        # What cannot be read through may hold more values; they are counted by their signs.
        for n in range(position, stop):
            count += 1 if _is_sign(buffer[n]) else 0
        rule = rule if rule else _odd_tail_rule(buffer, position, stop)
        tail = NO_TAIL
    line.tail = tail
    line.count = count
    line.rule = rule


@kernel
def _read_text(buffer, at, stop, line):
    """Read a reply that holds no signed value: a promise, an empty one with CRC, or text."""
    tail = _tail(buffer, at, at + 1, stop)
    if tail > NO_TAIL:
        line.reply = EMPTY
        line.tail = tail
        return
    length = stop - at - 1
    if 4 <= length <= 6 and _number(buffer, at + 1, stop) >= 0:
        line.reply = PROMISE
        line.length = length
        line.wait = _number(buffer, at + 1, at + 4)
        line.promised = _number(buffer, at + 4, stop)
        line.rule = RULE_SIGN
        return
    byte = buffer[at + 1]
    line.reply = TEXT
    line.rule = RULE_SIGN if _is_digit(byte) or byte == _POINT else RULE_CHARACTERS


@kernel
def read_reply(buffer, at, stop, line):
    """Read the reply from ``at`` to ``stop`` (not empty) into ``line``."""
    line.value = at - line.start
    address = _address(buffer[at])
    line.reply_address = address
    if address == NO_ADDRESS:
        line.reply = BAD_REPLY_ADDRESS
    elif stop - at == 1:
        line.reply = EMPTY
    elif _is_sign(buffer[at + 1]):
        _read_values(buffer, at, stop, line)
    else:
        _read_text(buffer, at, stop, line)
