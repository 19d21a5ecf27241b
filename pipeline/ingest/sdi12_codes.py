"""Numbers by which the SDI-12 kernels name what they see, and the rules of the standard.

Nothing here is computed; the kernels take every name as a constant.
"""

from __future__ import annotations

import numpy as np

# What a line of the log is.
QUIET, BUS, INCOMPLETE, NO_STAMP, BAD_STAMP, NO_MARK, DAMAGED_SENT, DAMAGED_RECEIVED = range(8)
DAMAGED = 8  # and nothing tells who spoke

# Who spoke.
SENT, RECEIVED, EITHER, UNTOLD = range(4)

# Commands. START commands run from MEASURE to HIGH_VOLUME.
(
    NO_COMMAND, ACKNOWLEDGE, QUERY, CHANGE, IDENTIFY, MEASURE, CONCURRENT, VERIFY,
    HIGH_VOLUME, SEND, CONTINUOUS, BINARY, EXTENDED, BAD_COMMAND, BAD_COMMAND_ADDRESS,
) = range(15)  # fmt: skip

# Replies.
NO_REPLY, EMPTY, PROMISE, DATA, TEXT, BAD_REPLY_ADDRESS = range(6)

# What follows the values of a reply.
NO_TAIL, CRC_WRONG, CRC_RIGHT = range(3)

NO_ADDRESS = 255
ADDRESSES = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
ADDRESS_COUNT = len(ADDRESSES)
SEND_LIMIT = 1000  # D0 to D999, the latter for high-volume measurements only
PLAIN_SEND_LIMIT = 10

# Measurements, as in the names of channels: ten numbers for each family.
FAMILIES = ("M", "C", "V", "HA", "R")
FAMILY_SIZE = 10

# Lengths and counts the standard allows.
VALUE_DIGITS = 7
SHORT_REPLY, LONG_REPLY = 35, 75

# What became of a line; from INCOMPLETE_LINE on it was set aside.
TRAFFIC, KEPT = range(2)
STATUSES: tuple[tuple[str, str], ...] = (
    ("", "bus traffic"),
    ("", "a reply whose values are kept"),
    ("incomplete_line", "a line that ends"),
    ("no_stamp", "a time stamp as the layout's transcript.stamp writes it"),
    ("bad_stamp", "a time that exists, as the layout's transcript.stamp writes it"),
    ("no_mark", "one of the layout's marks of direction"),
    ("damaged_text", "printable 7-bit characters"),
    ("checksum", "the CRC of the reply (SDI-12 4.4.12)"),
    ("count_mismatch", "the promised number of values"),
    ("no_measurement", "data after a start command that was answered"),
    ("bus_rule", "an address 0-9, A-Z or a-z in front of a command"),
    ("bus_rule", "a command of the standard, ended by '!'"),
    ("bus_rule", "an address 0-9, A-Z or a-z in front of a reply"),
    ("bus_rule", "a reply from the address that was asked"),
    ("bus_rule", "atttn after M and V, atttnn after C, atttnnn after HA"),
    ("bus_rule", "a sign in front of every value (SDI-12 Table 11)"),
    ("bus_rule", "at most 7 digits in a value (SDI-12 Table 11)"),
    ("bus_rule", "at least 1 digit in a value (SDI-12 Table 11)"),
    ("bus_rule", "at most 1 decimal point in a value (SDI-12 Table 11)"),
    ("bus_rule", "a value without exponent (SDI-12 Table 11)"),
    ("bus_rule", "only signs, digits and points behind the address"),
    ("bus_rule", "at most 35 characters of values after M, V and D"),
    ("bus_rule", "at most 75 characters of values after C, R and HA"),
    ("bus_rule", "no CRC unless the command asks for one (SDI-12 4.4.12)"),
    ("bus_rule", "a service request only once, after M or V with a time to wait"),
    ("bus_rule", "a reply only after a command"),
    ("bus_rule", "the address alone as the reply"),
    ("bus_rule", "the same reply to the same D command (SDI-12 4.4.8)"),
    ("bus_rule", "D0 to D9, and up to D999 after HA only"),
)
(
    INCOMPLETE_LINE, STAMP_ABSENT, STAMP_BAD, MARK_ABSENT, DAMAGED_TEXT, CHECKSUM,
    COUNT_MISMATCH, NO_MEASUREMENT, RULE_COMMAND_ADDRESS, RULE_COMMAND, RULE_REPLY_ADDRESS,
    RULE_OTHER_ADDRESS, RULE_PROMISE, RULE_SIGN, RULE_DIGITS, RULE_NO_DIGIT, RULE_POINTS,
    RULE_EXPONENT, RULE_CHARACTERS, RULE_SHORT, RULE_LONG, RULE_CRC_UNASKED, RULE_SERVICE,
    RULE_UNASKED, RULE_ADDRESS_ONLY, RULE_REPEAT, RULE_SEND_INDEX,
) = range(2, 29)  # fmt: skip

# One line of the log. ``value`` counts from ``start`` to the address of the reply; ``stamp``
# of a kept reply is that of the measurement's start, ``first`` the place of its first value in
# the measurement. Of replies set aside as COUNT_MISMATCH, ``first`` is what came altogether
# and ``promised`` what was to come.
LINE = np.dtype(
    [
        ("stamp", "i8"),
        ("start", "i8"),
        ("value", "i4"),
        ("count", "i4"),
        ("first", "i4"),
        ("length", "i4"),
        ("promised", "i2"),
        ("wait", "i2"),
        ("command_index", "i2"),
        ("measure", "u1"),
        ("kind", "u1"),
        ("command", "u1"),
        ("command_address", "u1"),
        ("crc_asked", "u1"),
        ("reply", "u1"),
        ("reply_address", "u1"),
        ("tail", "u1"),
        ("rule", "u1"),
        ("status", "u1"),
    ],
    align=True,
)
