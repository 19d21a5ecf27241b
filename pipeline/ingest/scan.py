"""Compiled scanners over the bytes of a delimited file; `pipeline.ingest.fields` calls them.

All positions are bytes in ``buffer``; ``starts`` and ``stops`` bound the lines or cells looked
at. Results are written into the arrays handed in. Nothing here allocates or raises.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

import numpy as np

from pipeline.compiled import kernel
from pipeline.ingest.lines import CARRIAGE_RETURN, LINE_FEED, TAB

OPEN = -1  # instead of a field count: the line ends inside quotes
BLANK = 32
BACKSLASH = 92
TO_LINE_END = np.iinfo(np.int32).max
JOIN_LIMIT = 10  # a quoted field may hold this many line ends


@kernel(inline="always")
def is_blank(byte):
    """Tell whether a byte is a blank or a tab."""
    return byte == BLANK or byte == TAB


@kernel
def _quoted_end(buffer, position, stop, quote, doubled):
    """Return the position of the closing quote, or -1."""
    k = position
    while k < stop:
        if not doubled and buffer[k] == BACKSLASH:
            k += 2
            continue
        if buffer[k] == quote:
            if not doubled or k + 1 >= stop or buffer[k + 1] != quote:
                return k
            k += 1
        k += 1
    return -1


@kernel
def trimmed(buffer, start, stop):
    """Return the span without blanks at its ends."""
    while start < stop and is_blank(buffer[start]):
        start += 1
    while stop > start and is_blank(buffer[stop - 1]):
        stop -= 1
    return start, stop


@kernel
def _separator(buffer, position, stop, blanks, delimiter):
    """Return the position of the next separator, or ``stop``."""
    k = position
    if blanks:
        while k < stop and not is_blank(buffer[k]):
            k += 1
    else:
        while k < stop and buffer[k] != delimiter:
            k += 1
    return k


@kernel
def _behind(buffer, position, stop, blanks):
    """Return where the next field starts; beyond ``stop`` where there is none."""
    if not blanks or position >= stop:
        return position + 1
    while position < stop and is_blank(buffer[position]):
        position += 1
    return position if position < stop else stop + 1


@kernel
def _next_field(buffer, position, stop, blanks, delimiter, quote, doubled, trim):
    """Return start and stop of a field and where the next begins, -1 if a quote stays open."""
    first = position
    while first < stop and is_blank(buffer[first]) and buffer[first] != delimiter:
        first += 1
    if quote >= 0 and first < stop and buffer[first] == quote:
        close = _quoted_end(buffer, first + 1, stop, quote, doubled)
        if close < 0:
            return first, stop, -1
        end = _separator(buffer, close + 1, stop, blanks, delimiter)
        after = _behind(buffer, end, stop, blanks)
        _, rest = trimmed(buffer, close + 1, end)
        if rest == close + 1:
            return first + 1, close, after
        return first, end, after  # text behind the quote: kept whole, and no number
    end = _separator(buffer, position, stop, blanks, delimiter)
    after = _behind(buffer, end, stop, blanks)
    if trim:
        first, end = trimmed(buffer, first, end)
        return first, end, after
    return position, end, after


@kernel
def _count_line(buffer, start, stop, blanks, delimiter, quote, doubled, trim):
    """Return the number of fields of one line and whether all are empty."""
    position, count, empty = start, 0, True
    if blanks:
        position, stop = trimmed(buffer, start, stop)
        if position == stop:
            return 0, True
    while position <= stop:
        first, end, position = _next_field(
            buffer, position, stop, blanks, delimiter, quote, doubled, trim
        )
        if position < 0:
            return OPEN, False
        if empty and end > first:
            first, end = trimmed(buffer, first, end)
            empty = end == first
        count += 1
    return count, empty


@kernel
def count_separated(
    buffer, starts, stops, blanks, delimiter, quote, doubled, trim, counts, empty
):
    """Count the fields of every line and tell whether all are empty."""
    for i in range(len(starts)):
        counts[i], empty[i] = _count_line(
            buffer, starts[i], stops[i], blanks, delimiter, quote, doubled, trim
        )


@kernel
def find_separated(
    buffer, starts, stops, blanks, delimiter, quote, doubled, trim, wanted, out_start, out_stop
):
    """Find the wanted fields of every line."""
    for i in range(len(starts)):
        position, stop, number, k = starts[i], stops[i], 0, 0
        if blanks:
            position, stop = trimmed(buffer, starts[i], stops[i])
        while k < len(wanted) and position <= stop:
            first, end, position = _next_field(
                buffer, position, stop, blanks, delimiter, quote, doubled, trim
            )
            if number == wanted[k]:
                out_start[k, i], out_stop[k, i] = first, end
                k += 1
            number += 1
            if position < 0:
                break


@kernel
def join(
    buffer, starts, stops, blanks, delimiter, quote, doubled, trim, counts, usual, last, keep
):
    """Find for every line with an open quote the line that completes it, if any."""
    i = 0
    while i < len(starts):
        if counts[i] == OPEN:
            for j in range(i + 1, min(i + 1 + JOIN_LIMIT, len(starts))):
                count, _ = _count_line(
                    buffer, starts[i], stops[j], blanks, delimiter, quote, doubled, trim
                )
                if count == usual:
                    last[i] = j
                    keep[i + 1 : j + 1] = False
                    break
        i = last[i] + 1


@kernel
def _advance(buffer, position, stop, characters):
    """Return the position ``characters`` further on; UTF-8 continuation bytes do not count."""
    while position < stop and characters > 0:
        position += 1
        while position < stop and (buffer[position] & 0xC0) == 0x80:
            position += 1
        characters -= 1
    return position, characters


@kernel
def count_fixed(buffer, starts, stops, edges, counts, empty):
    """Count the fixed columns every line reaches the end of; one more if text is left over."""
    for i in range(len(starts)):
        position, stop = starts[i], stops[i]
        first, end = trimmed(buffer, position, stop)
        empty[i] = first == end
        for k in range(1, len(edges)):
            if edges[k] == TO_LINE_END:
                position = stop
            else:
                position, missing = _advance(buffer, position, stop, edges[k] - edges[k - 1])
                if missing > 0:
                    break
            counts[i] += 1
        first, end = trimmed(buffer, position, stop)
        counts[i] += 1 if counts[i] == len(edges) - 1 and end > first else 0


@kernel
def find_fixed(buffer, starts, stops, edges, wanted, out_start, out_stop):
    """Find the wanted fixed columns of every line."""
    for i in range(len(starts)):
        position, character = starts[i], 0
        for k in range(len(wanted)):
            left, right = edges[wanted[k]], edges[wanted[k] + 1]
            position, _ = _advance(buffer, position, stops[i], left - character)
            end = stops[i]
            if right != TO_LINE_END:
                end, _ = _advance(buffer, position, stops[i], right - left)
            out_start[k, i], out_stop[k, i] = trimmed(buffer, position, end)
            position, character = end, right


@kernel
def equals_any(buffer, starts, stops, reference, ref_starts, ref_stops, out):
    """Mark the spans whose bytes are one of the references."""
    for i in range(len(starts)):
        for r in range(len(ref_starts)):
            length = ref_stops[r] - ref_starts[r]
            if stops[i] - starts[i] != length:
                continue
            same = True
            for k in range(length):
                if buffer[starts[i] + k] != reference[ref_starts[r] + k]:
                    same = False
                    break
            if same:
                out[i] = True
                break


@kernel
def starts_with(buffer, starts, stops, prefix, quote, out):
    """Mark the spans that begin with a prefix, behind an optional quote."""
    for i in range(len(starts)):
        position = starts[i]
        if position < stops[i] and buffer[position] == quote:
            position += 1
        out[i] = stops[i] - position >= len(prefix)
        for k in range(len(prefix)):
            if not out[i]:
                break
            out[i] = buffer[position + k] == prefix[k]


@kernel
def damaged(buffer, starts, stops, out):
    """Mark the spans that hold control characters or replaced bytes."""
    for i in range(len(starts)):
        for k in range(starts[i], stops[i]):
            byte = buffer[k]
            control = (
                byte < 32 and byte != TAB and byte != LINE_FEED and byte != CARRIAGE_RETURN
            )
            replaced = byte == 0xEF and buffer[k + 1] == 0xBF and buffer[k + 2] == 0xBD
            if control or replaced:
                out[i] = True
                break


@kernel
def copy(buffer, starts, stops, offsets, out):
    """Copy the spans end to end."""
    for i in range(len(starts)):
        for k in range(stops[i] - starts[i]):
            out[offsets[i] + k] = buffer[starts[i] + k]
