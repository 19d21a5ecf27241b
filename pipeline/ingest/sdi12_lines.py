"""Compiled walk over the bytes of a bus log: every line becomes one record of `LINE`.

The walk keeps no memory from line to line, so blocks of lines can be walked side by side.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.ingest.sdi12_codes import (
    BAD_COMMAND,
    BAD_STAMP,
    BUS,
    DAMAGED,
    DAMAGED_RECEIVED,
    DAMAGED_SENT,
    EITHER,
    INCOMPLETE,
    NO_ADDRESS,
    NO_COMMAND,
    NO_MARK,
    NO_REPLY,
    NO_STAMP,
    NO_TAIL,
    QUIET,
    RECEIVED,
    SENT,
    UNTOLD,
)
from pipeline.ingest.sdi12_crc import CRC_LENGTH
from pipeline.ingest.sdi12_stamp import FIELDS, OPERATION_LIMIT, read_stamp
from pipeline.ingest.sdi12_words import read_command, read_reply

_LINE_FEED, _RETURN, _BLANK, _TAB, _BANG, _DELETE = 10, 13, 32, 9, 33, 127
_PRINTABLE = 95  # characters from the blank to the tilde
# Scratch of one walk: the fields of the stamp being read, the stamp read last, and how many
# bytes of the line are not printable.
_STAMP_BEGIN, _STAMP_WIDTH, _STAMP_SECONDS = FIELDS, FIELDS + 1, FIELDS + 2
_ODD = FIELDS + 3
_MEMORY = FIELDS + 4
# The end of a line as some logs spell it out.
_SPELLED = np.frombuffer(b"<CR><LF>", dtype=np.uint8)


# How the log is written, as the kernels need it. One record, not a tuple of arrays: taking an
# array out of a tuple counts a reference each time, which costs more than the work itself.
TEXT_LIMIT = 32
FORM = np.dtype(
    [
        ("least_width", "i8"),
        ("most_width", "i8"),
        ("separator_length", "i8"),
        ("sent_length", "i8"),
        ("received_length", "i8"),
        ("comment_length", "i8"),
        ("stamp_behind", "u1"),
        ("joined", "u1"),
        ("separator", "u1", (TEXT_LIMIT,)),
        ("sent", "u1", (TEXT_LIMIT,)),
        ("received", "u1", (TEXT_LIMIT,)),
        ("comment", "u1", (TEXT_LIMIT,)),
        ("program", "i8", (OPERATION_LIMIT, 3)),
    ],
    align=True,
)


@kernel
def _begins(buffer, at, stop, text, length):
    """Tell whether the first ``length`` bytes of ``text`` stand at ``at``."""
    if stop - at < length:
        return False
    for n in range(length):
        if buffer[at + n] != text[n]:
            return False
    return True


@kernel
def _past_blanks(buffer, at, stop):
    while at < stop and (buffer[at] == _BLANK or buffer[at] == _TAB):
        at += 1
    return at


@kernel
def _before_blanks(buffer, at, stop):
    while stop > at and (buffer[stop - 1] == _BLANK or buffer[stop - 1] == _TAB):
        stop -= 1
    return stop


@kernel
def _line_end(buffer, at, stop):
    """Return where the line ends, and how many of its bytes are not printable."""
    odd = 0
    while at < stop:
        byte = buffer[at]
        if byte == _LINE_FEED:
            break
        odd += np.uint8(byte - np.uint8(_BLANK)) >= _PRINTABLE
        at += 1
    return at, odd


@kernel
def _without_end(buffer, at, stop):
    """Return the end of the line's text, and whether its end was spelled out."""
    stop = _before_blanks(buffer, at, stop)
    spelled = _begins(buffer, max(at, stop - len(_SPELLED)), stop, _SPELLED, len(_SPELLED))
    if spelled:
        stop = _before_blanks(buffer, at, stop - len(_SPELLED))
    return stop, spelled


@kernel
def _damaged(buffer, at, stop):
    """Tell whether a byte is not printable; DEL may be a character of a CRC."""
    for n in range(at, stop):
        byte = buffer[n]
        if (byte < _BLANK or byte >= _DELETE) and (byte != _DELETE or n < stop - CRC_LENGTH):
            return True
    return False


@kernel
def _remembered_stamp(buffer, at, stop, form, memory):
    """As `read_stamp`, but the same stamp as on the line before is not read again."""
    before, width = memory[_STAMP_BEGIN], memory[_STAMP_WIDTH]
    # One character more must fit, lest the stamp goes on where the one before ended.
    if width and at + width < stop and buffer[at + width] == buffer[before + width]:
        # From its end, where stamps that differ mostly do.
        n = width - 1
        while n >= 0 and buffer[at + n] == buffer[before + n]:
            n -= 1
        if n < 0:
            return memory[_STAMP_SECONDS], at + width
    stamp, end = read_stamp(buffer, at, stop, form.program, memory)
    memory[_STAMP_BEGIN] = at
    memory[_STAMP_WIDTH] = end - at if 0 < end < stop else 0
    memory[_STAMP_SECONDS] = stamp
    return stamp, end


@kernel
def _split_before(buffer, at, stop, form, memory):
    """Return stamp, begin and end of the message behind the stamp, begin < 0 if none."""
    stamp, end = _remembered_stamp(buffer, at, stop, form, memory)
    if end < 0:
        return stamp, end, stop
    if end == stop:
        return stamp, stop, stop
    if not _begins(buffer, end, stop, form.separator, form.separator_length):
        return stamp, -2, stop
    return stamp, _past_blanks(buffer, end + form.separator_length, stop), stop


@kernel
def _split_behind(buffer, at, stop, form, memory):
    """As `_split_before`, for a stamp at the end of the line."""
    failure = -1
    for width in range(form.most_width, form.least_width - 1, -1):
        begin = stop - width
        edge = begin - form.separator_length
        if edge < at or not _begins(
            buffer, edge, begin, form.separator, form.separator_length
        ):
            continue
        stamp, end = read_stamp(buffer, begin, stop, form.program, memory)
        if end == stop:
            return stamp, at, _before_blanks(buffer, at, edge)
        failure = -2
    return 0, failure, stop


@kernel
def _direction(buffer, at, stop, form):
    """Return who spoke, and where the words begin."""
    sent, received = form.sent_length, form.received_length
    if sent and _begins(buffer, at, stop, form.sent, form.sent_length):
        return SENT, _past_blanks(buffer, at + sent, stop)
    if received and _begins(buffer, at, stop, form.received, form.received_length):
        return RECEIVED, _past_blanks(buffer, at + received, stop)
    if sent and received and not form.joined:
        return UNTOLD, at
    if sent and not received:
        return RECEIVED, at
    if received and not sent:
        return SENT, at
    return EITHER, at


@kernel
def _find_bang(buffer, at, stop):
    """Return where the first "!" stands, or ``stop``."""
    while at < stop and buffer[at] != _BANG:
        at += 1
    return at


@kernel
def _read_sent(buffer, at, stop, line, form):
    """Read a command and, in joined logs, the reply behind it."""
    bang = _find_bang(buffer, at, stop)
    if bang == stop or (bang != stop - 1 and not form.joined):
        line.command = BAD_COMMAND
        line.command_address = NO_ADDRESS
        return
    read_command(buffer, at, bang, line)
    at = _past_blanks(buffer, bang + 1, stop)
    if (
        at < stop
        and form.received_length
        and _begins(buffer, at, stop, form.received, form.received_length)
    ):
        at = _past_blanks(buffer, at + form.received_length, stop)
    if at < stop:
        read_reply(buffer, at, stop, line)


@kernel
def _damage(who):
    """Return the kind of a damaged line by who spoke."""
    if who == SENT:
        return DAMAGED_SENT
    return DAMAGED_RECEIVED if who == RECEIVED else DAMAGED


@kernel
def _read_message(buffer, at, stop, odd, line, form):
    """Read who spoke and what was said."""
    who, at = _direction(buffer, at, stop, form)
    if who == EITHER:
        bang = _find_bang(buffer, at, stop)
        who = SENT if bang < stop and (form.joined or bang == stop - 1) else RECEIVED
    if odd and _damaged(buffer, at, stop):
        line.kind = _damage(who)
    elif who == UNTOLD:
        line.kind = NO_MARK
    elif at == stop:
        line.kind = QUIET
    else:
        line.kind = BUS
        if who == SENT:
            _read_sent(buffer, at, stop, line, form)
        else:
            read_reply(buffer, at, stop, line)
        if odd and line.tail == NO_TAIL:  # a DEL that is no character of a CRC
            line.kind = _damage(who)
            line.command = NO_COMMAND
            line.reply = NO_REPLY


@kernel
def _read_line(buffer, at, stop, line, form, memory):
    """Read one line without its end."""
    begin = _past_blanks(buffer, at, stop)
    if begin == stop or (
        form.comment_length and _begins(buffer, begin, stop, form.comment, form.comment_length)
    ):
        line.kind = QUIET
        return
    if form.stamp_behind:
        stamp, words, end = _split_behind(buffer, begin, stop, form, memory)
    else:
        stamp, words, end = _split_before(buffer, begin, stop, form, memory)
    line.stamp = stamp
    if words >= 0:
        _read_message(buffer, words, end, memory[_ODD], line, form)
    elif memory[_ODD] and _damaged(buffer, begin, stop):
        line.kind = DAMAGED
    else:
        line.kind = NO_STAMP if words == -1 else BAD_STAMP


@kernel
def read_lines(buffer, begin, end, lines, form):
    """Fill ``lines`` with the lines that begin in ``buffer[begin:end]``.

    ``lines`` holds as many zeroed records as there are; a last line without its line feed
    counts, and is INCOMPLETE unless its end is spelled out.
    """
    memory = np.zeros(_MEMORY, dtype=np.int64)
    for n in range(len(lines)):
        line = lines[n]
        line.start = begin
        feed, odd = _line_end(buffer, begin, end)
        stop = feed
        if stop > begin and buffer[stop - 1] == _RETURN:
            stop -= 1
            odd -= 1
        stop, spelled = _without_end(buffer, begin, stop)
        if feed == end and not spelled:
            line.kind = INCOMPLETE
        else:
            memory[_ODD] = odd
            _read_line(buffer, begin, stop, line, form, memory)
        begin = feed + 1
