"""Compiled joining of replies to the measurements that asked for them, line by line.

One walk in file order. Of each address it keeps the measurement under way (the standard has a
sensor do one at a time) and the lines of its data replies; of the bus, the last command. Once
a measurement is over, its replies are kept if they hold the promised number of values.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.ingest import sdi12_codes as codes

_IDLE, _ASKED, _PROMISED = range(3)
_FREE, _DISPUTED = -1, -2
_CONTINUOUS_FAMILY = 4

# The measurement under way at one address. ``top`` is one more than the highest D asked.
_SENSOR = np.dtype(
    [
        ("stamp", "i8"),
        ("top", "i4"),
        ("promised", "i4"),
        ("wait", "i4"),
        ("phase", "u1"),
        ("family", "u1"),
        ("measure", "u1"),
        ("crc", "u1"),
        ("served", "u1"),
    ],
    align=True,
)
# The last command on the bus.
_ASKED_LAST = np.dtype(
    [
        ("stamp", "i8"),
        ("index", "i4"),
        ("command", "u1"),
        ("address", "u1"),
        ("crc", "u1"),
        ("answered", "u1"),
    ],
    align=True,
)


def new_state():
    """Return the bus before its first command: last command, sensors, lines of their data."""
    slots = np.full((codes.ADDRESS_COUNT, codes.SEND_LIMIT), _FREE, dtype=np.int32)
    return np.zeros(1, _ASKED_LAST), np.zeros(codes.ADDRESS_COUNT, _SENSOR), slots


@kernel
def _total(lines, sensor, slots):
    """Return how many values came in all, and whether the replies follow each other."""
    total, whole, ended = 0, True, False
    for n in range(sensor.top):
        if slots[n] < 0:
            ended = True
            whole &= slots[n] == _FREE
        else:
            total += lines[slots[n]].count
            whole &= not ended
    return total, whole


@kernel
def _settle(lines, sensor, slots):
    """End the measurement under way: keep its replies or set them aside."""
    total, whole = _total(lines, sensor, slots)
    sound = whole and total == sensor.promised
    first = 0
    for n in range(sensor.top):
        if slots[n] >= 0:
            line = lines[slots[n]]
            if sound:
                line.status = codes.KEPT
                line.stamp = sensor.stamp
                line.measure = sensor.measure
                line.first = first
                first += line.count
            else:
                line.status = codes.COUNT_MISMATCH
                line.first = total
                line.promised = sensor.promised
        slots[n] = _FREE
    sensor.top = 0
    sensor.phase = _IDLE


@kernel
def _settle_all(lines, sensors, slots):
    """End every measurement: a line that cannot be read may have been any command."""
    for address in range(codes.ADDRESS_COUNT):
        if sensors[address].phase != _IDLE:
            _settle(lines, sensors[address], slots[address])


@kernel
def _begin(line, sensor):
    """Start a measurement that waits for its promise."""
    family = line.command - codes.MEASURE
    sensor.phase = _ASKED
    sensor.stamp = line.stamp
    sensor.family = family
    sensor.measure = codes.FAMILY_SIZE * family + line.command_index
    sensor.crc = line.crc_asked
    sensor.served = 0


@kernel
def _note_command(lines, line, last, sensors, slots):
    """Take a command; return the status of its line."""
    command, address = line.command, line.command_address
    last.stamp = line.stamp
    last.command = command
    last.address = address
    last.index = line.command_index
    last.crc = line.crc_asked
    last.answered = 0
    if command >= codes.BAD_COMMAND:
        last.command = codes.NO_COMMAND
        if address == codes.NO_ADDRESS:
            _settle_all(lines, sensors, slots)
        else:
            _settle(lines, sensors[address], slots[address])
        return (
            codes.RULE_COMMAND_ADDRESS
            if command == codes.BAD_COMMAND_ADDRESS
            else codes.RULE_COMMAND
        )
    if codes.MEASURE <= command <= codes.HIGH_VOLUME:
        _settle(lines, sensors[address], slots[address])
        _begin(line, sensors[address])
    elif command == codes.CHANGE:
        _settle(lines, sensors[address], slots[address])
        _settle(lines, sensors[last.index], slots[last.index])
        last.address = last.index
    elif command == codes.EXTENDED or command == codes.BINARY:
        # It may start a measurement of another kind, whose data are not ours to name.
        _settle(lines, sensors[address], slots[address])
    elif command == codes.SEND and last.index >= codes.PLAIN_SEND_LIMIT:
        if _command_of(sensors[address]) != codes.HIGH_VOLUME:
            last.command = codes.NO_COMMAND
            return codes.RULE_SEND_INDEX
    return codes.TRAFFIC


@kernel
def _command_of(sensor):
    """Return the command that started the measurement under way."""
    return sensor.family + codes.MEASURE if sensor.phase != _IDLE else codes.NO_COMMAND


@kernel
def _service(sensor):
    """Take an address that came unasked; a service request, or a breach of the rules."""
    command = _command_of(sensor)
    due = sensor.phase == _PROMISED and (command == codes.MEASURE or command == codes.VERIFY)
    if due and sensor.wait > 0 and not sensor.served and sensor.top == 0:
        sensor.served = 1
        return codes.TRAFFIC
    return codes.RULE_SERVICE


@kernel
def _take_unasked(lines, line, sensor, slots, mismatch):
    """Take a reply that no open command of its address asked for."""
    if line.reply == codes.EMPTY and line.tail == codes.NO_TAIL:
        status = _service(sensor)
        return (
            codes.RULE_OTHER_ADDRESS if status == codes.RULE_SERVICE and mismatch else status
        )
    if line.reply == codes.PROMISE:
        # Its start command is not in the log: whatever data follow are not those of before.
        _settle(lines, sensor, slots)
    if mismatch:
        return codes.RULE_OTHER_ADDRESS
    return codes.NO_MEASUREMENT if line.reply == codes.DATA else codes.RULE_UNASKED


@kernel
def _take_promise(line, last, sensor):
    """Take the reply to a start command."""
    width = (
        6
        if last.command == codes.HIGH_VOLUME
        else 5
        if last.command == codes.CONCURRENT
        else 4
    )
    if line.reply != codes.PROMISE or line.length != width:
        return codes.RULE_PROMISE
    sensor.promised = line.promised
    sensor.wait = line.wait
    sensor.phase = _PROMISED
    return codes.TRAFFIC


@kernel
def fault_of_data(line, crc, limit):
    """Return why a data reply cannot be taken, or codes.TRAFFIC."""
    if crc and line.tail != codes.CRC_RIGHT:
        return codes.CHECKSUM
    if line.reply != codes.DATA or line.rule:
        return np.int64(line.rule)
    if line.tail != codes.NO_TAIL and not crc:
        return (
            codes.RULE_CRC_UNASKED if line.tail == codes.CRC_RIGHT else codes.RULE_CHARACTERS
        )
    if line.length > limit:
        return codes.RULE_LONG if limit == codes.LONG_REPLY else codes.RULE_SHORT
    return codes.TRAFFIC


@kernel
def _same_text(buffer, one, other):
    """Tell whether two data replies hold the same characters."""
    if one.length != other.length or one.tail != other.tail:
        return False
    a, b = one.start + one.value, other.start + other.value
    for n in range(one.length + 1):
        if buffer[a + n] != buffer[b + n]:
            return False
    return True


@kernel
def _take_slot(buffer, lines, n, index, sensor, slots):
    """Put a data reply into its place; a second reply to the same D must be the same."""
    line, held = lines[n], slots[index]
    if index >= sensor.top:
        sensor.top = index + 1
    if held == _FREE:
        slots[index] = n
        return np.int64(line.status)
    if held >= 0:
        if _same_text(buffer, lines[held], line):
            return codes.TRAFFIC
        lines[held].status = codes.RULE_REPEAT
        slots[index] = _DISPUTED
    return codes.RULE_REPEAT


@kernel
def _take_sent(buffer, lines, n, last, sensor, slots):
    """Take the reply to a D command."""
    line = lines[n]
    if line.reply == codes.EMPTY:
        return codes.CHECKSUM if line.tail == codes.CRC_WRONG else codes.TRAFFIC
    if sensor.phase != _PROMISED:
        return codes.NO_MEASUREMENT
    short = _command_of(sensor) == codes.MEASURE or _command_of(sensor) == codes.VERIFY
    fault = fault_of_data(line, sensor.crc, codes.SHORT_REPLY if short else codes.LONG_REPLY)
    if fault != codes.TRAFFIC:
        return fault
    return _take_slot(buffer, lines, n, last.index, sensor, slots)


@kernel
def _take_continuous(line, last):
    """Take the reply to an R command, which is a reading by itself."""
    if line.reply == codes.EMPTY:
        return codes.CHECKSUM if line.tail == codes.CRC_WRONG else codes.TRAFFIC
    fault = fault_of_data(line, last.crc, codes.LONG_REPLY)
    if fault != codes.TRAFFIC:
        return fault
    line.stamp = last.stamp
    line.measure = codes.FAMILY_SIZE * _CONTINUOUS_FAMILY + last.index
    line.first = 0
    return codes.KEPT


@kernel
def _take_answer(buffer, lines, n, last, sensor, slots):
    """Take the first reply of the address that was asked."""
    line, command = lines[n], last.command
    last.answered = 1
    if command == codes.SEND:
        return _take_sent(buffer, lines, n, last, sensor, slots)
    if command == codes.CONTINUOUS:
        return _take_continuous(line, last)
    if codes.MEASURE <= command <= codes.HIGH_VOLUME:
        return _take_promise(line, last, sensor)
    if command == codes.ACKNOWLEDGE or command == codes.QUERY or command == codes.CHANGE:
        return codes.TRAFFIC if line.reply == codes.EMPTY else codes.RULE_ADDRESS_ONLY
    return codes.TRAFFIC


@kernel
def _note_reply(buffer, lines, n, last, sensors, slots):
    """Take a reply; return the status of its line."""
    line = lines[n]
    if last.command == codes.EXTENDED or last.command == codes.BINARY:
        return codes.TRAFFIC  # any text, any number of lines, until the next command
    if line.reply == codes.BAD_REPLY_ADDRESS:
        return codes.RULE_REPLY_ADDRESS
    address = line.reply_address
    open_command = last.command != codes.NO_COMMAND and not last.answered
    fits = address == last.address or last.command == codes.QUERY
    if open_command and fits:
        return _take_answer(buffer, lines, n, last, sensors[address], slots[address])
    return _take_unasked(
        lines, line, sensors[address], slots[address], open_command and not fits
    )


@kernel
def unreadable(kind):
    """Return the status of a line that is not an exchange."""
    if kind == codes.INCOMPLETE:
        return codes.INCOMPLETE_LINE
    if kind == codes.NO_STAMP:
        return codes.STAMP_ABSENT
    if kind == codes.BAD_STAMP:
        return codes.STAMP_BAD
    return codes.MARK_ABSENT if kind == codes.NO_MARK else codes.DAMAGED_TEXT


@kernel
def _note_unreadable(lines, line, last, sensors, slots):
    """Take a line that cannot be read; return its status."""
    free_text = last.command == codes.EXTENDED or last.command == codes.BINARY
    if free_text and line.kind != codes.INCOMPLETE and line.kind != codes.DAMAGED_SENT:
        return codes.TRAFFIC
    if line.kind != codes.DAMAGED_RECEIVED:
        _settle_all(lines, sensors, slots)
        last.command = codes.NO_COMMAND
    return unreadable(line.kind)


@kernel
def join_exchanges(buffer, lines, state_last, sensors, slots):
    """Set ``status`` of every line; of kept replies also stamp, measurement and place.

    Parameters
    ----------
    buffer : ndarray of uint8
        The log.
    lines : ndarray of LINE
        From `read_lines`, all lines in order.
    state_last, sensors, slots
        From `new_state`.
    """
    last = state_last[0]
    for n in range(len(lines)):
        line = lines[n]
        if line.kind == codes.BUS:
            status = np.int64(codes.TRAFFIC)
            if line.command != codes.NO_COMMAND:
                status = _note_command(lines, line, last, sensors, slots)
            if line.reply != codes.NO_REPLY:
                reply = _note_reply(buffer, lines, n, last, sensors, slots)
                status = status if status != codes.TRAFFIC else reply
            line.status = status
        elif line.kind != codes.QUIET:
            line.status = _note_unreadable(lines, line, last, sensors, slots)
    _settle_all(lines, sensors, slots)
