"""Compiled joining of data replies in logs that hold no commands, by the layout's word.

The layout states what every sensor answers in one round. The replies of one address that lie
within the time of a round belong together; they are kept if their values are as many as the
round should bring. Nothing tells which reply was lost from a short round, so all of it is set
aside. A reading's time is the stamp of the round's first reply: the start was not logged.
"""

# mypy: disable-error-code="no-untyped-def"
# numba infers the types of kernels from their arguments.

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import kernel
from pipeline.ingest import sdi12_codes as codes
from pipeline.ingest.sdi12_exchange import fault_of_data, unreadable

_NONE = -1
_HEAD, _TAIL, _TOTAL = range(3)  # of the round under way at an address


class Round(NamedTuple):
    """What one sensor answers in one round; ``crc`` and ``limit`` by the place of a value."""

    crc: NDArray[np.bool_]
    limit: NDArray[np.int64]
    within_s: int


@kernel
def _settle(lines, head, following, total, expected):
    """End a round: keep its replies, linked from ``head``, or set them aside."""
    first, stamp = 0, np.int64(0)
    if head != _NONE:
        stamp = lines[head].stamp
    while head != _NONE:
        line = lines[head]
        line.stamp = stamp
        line.measure = 0
        if total == expected:
            line.status = codes.KEPT
            line.first = first
            first += line.count
        else:
            line.status = codes.COUNT_MISMATCH
            line.first = total
            line.promised = expected
        head = following[head]


@kernel
def _take(lines, n, rounds, following, plan):
    """Add a data reply to its round, or begin a new one; return its status."""
    line, expected = lines[n], len(plan.crc)
    address = line.reply_address
    head, total = rounds[address, _HEAD], rounds[address, _TOTAL]
    late = head != _NONE and not (0 <= line.stamp - lines[head].stamp <= plan.within_s)
    if late or total >= expected:
        _settle(lines, head, following, total, expected)
        head, total = _NONE, 0
        rounds[address, _HEAD] = _NONE
        rounds[address, _TOTAL] = 0
    fault = fault_of_data(line, plan.crc[total], plan.limit[total])
    if fault != codes.TRAFFIC:
        return fault
    if head == _NONE:
        rounds[address, _HEAD] = n
    else:
        following[rounds[address, _TAIL]] = n
    rounds[address, _TAIL] = n
    rounds[address, _TOTAL] = total + line.count
    return np.int64(codes.TRAFFIC)


@kernel
def join_answers(lines, plan):
    """Set ``status`` of every line; of kept replies also stamp and place in the round."""
    rounds = np.full((codes.ADDRESS_COUNT, 3), _NONE, dtype=np.int64)
    rounds[:, _TOTAL] = 0
    following = np.full(len(lines), _NONE, dtype=np.int32)
    for n in range(len(lines)):
        line = lines[n]
        if line.kind == codes.BUS:
            if line.reply == codes.BAD_REPLY_ADDRESS:
                line.status = codes.RULE_REPLY_ADDRESS
            elif line.reply == codes.DATA or line.reply == codes.TEXT:
                line.status = _take(lines, n, rounds, following, plan)
        elif line.kind != codes.QUIET:
            line.status = unreadable(line.kind)
    for address in range(codes.ADDRESS_COUNT):
        head, total = rounds[address, _HEAD], rounds[address, _TOTAL]
        _settle(lines, head, following, total, len(plan.crc))
