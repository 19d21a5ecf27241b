"""Transcripts of an SDI-12 bus to readings, as the standard (version 1.4) defines them.

Each reply is joined to the measurement that asked for it, also where the exchanges of many
addresses interleave, and takes the time its measurement was started. Channels are named
``address.measurement.value``: ``0.M.1``, ``3.C2.4``, ``a.R0.1``; a measurement that asks for a
CRC names the channels of the one that does not. What the standard does not allow is set aside
with the rule that was broken; nothing is guessed.

A reply that repeats the one before it to the same D command is the same reading, and counts
among the bus traffic. Identification, metadata, extended and high-volume binary exchanges are
bus traffic as well.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Problem, ReaderError
from pipeline.ingest import sdi12_codes as codes
from pipeline.ingest.records import ParsedFile, Reject, Table
from pipeline.site.layout import Layout, TranscriptForm

if TYPE_CHECKING:  # numba is imported only once a transcript is read
    from pipeline.ingest.sdi12_answers import Round

Bytes = NDArray[np.uint8]
Lines = NDArray[Any]  # of codes.LINE
Form = NDArray[np.generic]  # one record of sdi12_lines.FORM
Naming = Callable[[int, int], str]  # measurement and place of a value, from 0
_LINE_FEED = 10
_BLOCK = 8 << 20  # bytes walked by one thread at a time
_COUNT_BLOCK = 1 << 20
_FOUND_LENGTH = 120
_FIRST_LINES = 1000
_MANY_LINES, _SHORTEST_MEAN = 1_000_000, 8
_MARK = b"\xef\xbb\xbf"  # byte order mark of UTF-8
_BLANK_MARK = b"   "
# Encodings whose ASCII characters are the ASCII bytes; others are converted first.
_ASCII_BASED = (
    "ascii",
    "us-ascii",
    "utf-8",
    "utf8",
    "utf-8-sig",
    "latin-1",
    "iso-8859-1",
    "cp1252",
)


def read_transcript(data: bytes, layout: Layout, name: str) -> ParsedFile:
    """Read a transcript of an SDI-12 bus.

    Parameters
    ----------
    data : bytes
        The file.
    layout : Layout
        Its ``transcript`` form says how lines are written.
    name : str
        The file's name, for messages.

    Returns
    -------
    ParsedFile
        One table for each set of channels that came in one reply, so that every row has the
        line its values stand in. ``stamp_s`` is the time the measurement was started.

    Raises
    ------
    ReaderError
        If the layout has no usable transcript form, or no line of the file is as it says.

    References
    ----------
    SDI-12 Support Group, SDI-12: A Serial-Digital Interface Standard for Microprocessor-Based
    Sensors, version 1.4.
    """
    form, buffer, lines = bus_lines(data, layout, name)
    _require_lines(buffer, lines, form, name)
    naming = _join(buffer, lines, form)
    status = np.ascontiguousarray(lines["status"])
    kept = np.flatnonzero(status == codes.KEPT)
    tables = tuple(_tables(buffer, lines, kept, naming, form.sentinels))
    filled = sum(len(table.line) for table in tables)
    return ParsedFile(
        tables=tables,
        rows_read=len(lines),
        rows_with_values=filled,
        rows_without_values=int(np.count_nonzero(status <= codes.KEPT)) - filled,
        nulls=int(lines["count"][kept].sum()) - sum(table.value_count() for table in tables),
        rejects=tuple(_rejects(buffer, lines, status)),
    )


def bus_lines(data: bytes, layout: Layout, name: str) -> tuple[TranscriptForm, Bytes, Lines]:
    """Return a transcript's form, its bytes and one record a line, not joined to exchanges.

    Raises
    ------
    ReaderError
        If the layout has no usable transcript form.
    """
    form = layout.transcript
    if form is None:
        raise _error(name, "", f"layout {layout.id!r} without a transcript", "a [transcript]")
    kernel_form = _kernel_form(form, name)
    buffer = np.frombuffer(_plain(data, form.encoding, name), dtype=np.uint8)
    return form, buffer, _walk(buffer, kernel_form, name)


def _error(name: str, place: str, found: str, expected: str, advice: str = "") -> ReaderError:
    """Return the error of a file that cannot be read."""
    return ReaderError(Problem(name, place, found, expected, advice))


def _plain(data: bytes, encoding: str, name: str) -> bytes:
    """Return the file with ASCII characters as ASCII bytes; other bytes stay damage."""
    if encoding.lower().replace("_", "-") in _ASCII_BASED:
        # A byte order mark becomes blanks, so that positions stay those of the file.
        return _BLANK_MARK + data[len(_MARK) :] if data.startswith(_MARK) else data
    try:
        return data.decode(encoding, errors="replace").lstrip("\ufeff").encode()
    except (LookupError, UnicodeError) as error:
        raise _error(
            name, "", f"encoding {encoding!r}: {error}", "a text encoding known to Python",
            "Correct the layout's transcript.encoding.",
        ) from error  # fmt: skip


def _kernel_form(form: TranscriptForm, name: str) -> Form:
    """Return the layout's form as the kernels need it, one record of `FORM`."""
    from pipeline.ingest.sdi12_lines import FORM, TEXT_LIMIT
    from pipeline.ingest.sdi12_stamp import stamp_program, stamp_widths

    try:
        program = stamp_program(form.stamp)
    except ValueError as error:
        raise _error(
            name, "", str(error), "a pattern of date and time",
            "Correct the layout's transcript.stamp.",
        ) from error  # fmt: skip
    record = np.zeros(1, dtype=FORM)
    record["program"] = program
    record["least_width"], record["most_width"] = stamp_widths(program)
    record["stamp_behind"] = form.stamp_position == "after"
    record["joined"] = form.joined
    texts = {
        "separator": form.separator,
        "sent": form.sent.strip(),
        "received": form.received.strip(),
        "comment": form.comment_prefix or "",
    }
    for key, text in texts.items():
        written = text.encode()
        if len(written) > TEXT_LIMIT:
            raise _error(
                name,
                f"layout, transcript {key}",
                repr(text),
                f"at most {TEXT_LIMIT} characters",
            )
        record[key][0, : len(written)] = np.frombuffer(written, dtype=np.uint8)
        record[f"{key}_length"] = len(written)
    return record


def _walk(buffer: Bytes, form: Form, name: str) -> Lines:
    """Return one record a line, read in blocks side by side."""
    from pipeline.ingest.sdi12_lines import read_lines

    edges = _block_edges(buffer)
    counts = [_line_count(buffer[a:b]) for a, b in pairwise(edges)]
    firsts = np.concatenate(([0], np.cumsum(counts))).astype(np.int64).tolist()
    if firsts[-1] > max(_MANY_LINES, len(buffer) // _SHORTEST_MEAN):
        # Records of lines are larger than blank lines: memory must stay in proportion.
        raise _error(
            name, "", f"{firsts[-1]} lines in {len(buffer)} bytes",
            f"a bus log, with {_SHORTEST_MEAN} bytes a line or more in the mean",
        )  # fmt: skip
    lines = np.zeros(firsts[-1], dtype=codes.LINE)

    def walk(block: int) -> None:
        part = lines[firsts[block] : firsts[block + 1]]
        read_lines(buffer, edges[block], edges[block + 1], part, form[0])

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        for done in [pool.submit(walk, block) for block in range(len(counts))]:
            done.result()
    return lines


def _block_edges(buffer: Bytes) -> list[int]:
    """Return positions that cut the file into blocks of whole lines."""
    edges, end = [0], len(buffer)
    while edges[-1] < end:
        aim = edges[-1] + _BLOCK
        edges.append(_next_line(buffer, aim) if aim < end else end)
    return edges


def _next_line(buffer: Bytes, position: int) -> int:
    """Return where the first line behind ``position`` begins."""
    while position < len(buffer):
        feeds = np.flatnonzero(buffer[position : position + _COUNT_BLOCK] == _LINE_FEED)
        if len(feeds):
            return position + int(feeds[0]) + 1
        position += _COUNT_BLOCK
    return len(buffer)


def _line_count(block: Bytes) -> int:
    """Return the number of lines; the last may have no line feed."""
    feeds = sum(
        int(np.count_nonzero(block[at : at + _COUNT_BLOCK] == _LINE_FEED))
        for at in range(0, len(block), _COUNT_BLOCK)
    )
    return feeds + int(len(block) > 0 and block[-1] != _LINE_FEED)


def _require_lines(buffer: Bytes, lines: Lines, form: TranscriptForm, name: str) -> None:
    """Raise unless a line is an exchange, or all are quiet."""
    if len(lines) == 0:
        raise _error(name, "", "an empty file", "lines of a bus log")
    # Of a sound file the first lines tell, and the others need not be looked at.
    for kind in (lines["kind"][:_FIRST_LINES], lines["kind"]):
        if (kind == codes.BUS).any():
            return
    if (kind == codes.QUIET).all():
        return
    first = int(np.argmax(kind != codes.QUIET))
    raise _error(
        name, f"line {first + 1}", f"{_line_text(buffer, lines, first)} and no better line",
        f"a time written {form.stamp!r}, {form.separator!r} and a command or reply",
        "Correct the layout's transcript form, or give the file a source of its own.",
    )  # fmt: skip


def _join(buffer: Bytes, lines: Lines, form: TranscriptForm) -> Naming:
    """Settle the status of every line; return how a kept reply's values are named."""
    if form.answers:
        from pipeline.ingest.sdi12_answers import join_answers

        plan, names = _round(form)
        join_answers(lines, plan)
        return lambda measure, place: names[place]
    from pipeline.ingest.sdi12_exchange import join_exchanges, new_state

    join_exchanges(buffer, lines, *new_state())
    return lambda measure, place: f"{_measurement(measure)}.{place + 1}"


def _measurement(measure: int) -> str:
    """Return the name of a measurement; the plain form has no number, but for R."""
    family, number = divmod(measure, codes.FAMILY_SIZE)
    name = codes.FAMILIES[family]
    return name if number == 0 and name != "R" else f"{name}{number}"


def _round(form: TranscriptForm) -> tuple[Round, list[str]]:
    """Return what a sensor answers in one round, and the names of its values."""
    from pipeline.ingest.sdi12_answers import Round

    names: list[str] = []
    crc: list[bool] = []
    limit: list[int] = []
    for answer in form.answers:
        command, _, count = answer.partition(":")
        asks = command == "HA" or command[1:2] == "C"
        plain = command if command == "HA" else command[:1] + command[1:].removeprefix("C")
        names += [f"{plain}.{n + 1}" for n in range(int(count))]
        crc += [asks] * int(count)
        short = plain[0] in "MV"
        limit += [codes.SHORT_REPLY if short else codes.LONG_REPLY] * int(count)
    plan = Round(
        np.array(crc, dtype=np.bool_), np.array(limit, dtype=np.int64), form.answers_within_s
    )
    return plan, names


def _tables(
    buffer: Bytes,
    lines: Lines,
    kept: NDArray[np.int64],
    naming: Naming,
    sentinels: tuple[float, ...],
) -> Iterator[Table]:
    """Yield one table for each set of channels that came in one reply; none without values."""
    from pipeline.ingest.sdi12_values import read_values

    for rows in _groups(lines, kept):
        line = lines[rows[0]]
        address = chr(codes.ADDRESSES[line["reply_address"]])
        measure, first, count = (int(line[field]) for field in ("measure", "first", "count"))
        columns = np.empty((count, len(rows)), dtype=np.float64)
        read_values(buffer, lines, rows, columns)
        if sentinels:
            columns[np.isin(columns, sentinels)] = np.nan
            filled = ~np.isnan(columns).all(axis=0)
            rows, columns = rows[filled], columns[:, filled]
        yield Table(
            stamp_s=lines["stamp"][rows],
            line=(rows + 1).astype(np.int32),
            columns={
                f"{address}.{naming(measure, first + n)}": columns[n] for n in range(count)
            },
        )


def _groups(lines: Lines, kept: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return the kept lines, in order, split by address, measurement, place and count."""
    from pipeline.ingest.sdi12_values import group_rows, group_slots, sort_rows

    groups = np.empty(len(kept), dtype=np.int32)
    found = group_rows(lines, kept, groups, *group_slots(len(kept)))
    ends = np.cumsum(np.bincount(groups, minlength=found))
    ordered = np.empty_like(kept)
    cuts = ends[:-1].copy()
    sort_rows(kept, groups, ends, ordered)
    return np.split(ordered, cuts) if found else []


def _rejects(buffer: Bytes, lines: Lines, status: Bytes) -> Iterator[Reject]:
    """Yield what was set aside, one entry for each rule that was broken."""
    aside = np.flatnonzero(status > codes.KEPT)
    chosen = lines[aside]
    values = np.where(chosen["reply"] == codes.DATA, chosen["count"], 0)
    for code in np.unique(status[aside]):
        members = status[aside] == code
        first = int(aside[np.argmax(members)])
        reason, expected = codes.STATUSES[code]
        found = _line_text(buffer, lines, first)
        if code == codes.COUNT_MISMATCH:
            found = f"{found}, with {lines['first'][first]} values in all"
            expected = f"{lines['promised'][first]} values as promised"
        rows, total = int(np.count_nonzero(members)), int(values[members].sum())
        yield Reject(reason, rows, total, first + 1, found, expected)


def _line_text(buffer: Bytes, lines: Lines, index: int) -> str:
    """Return the beginning of a line as it can be printed."""
    start = int(lines["start"][index])
    text = buffer[start : start + _FOUND_LENGTH].tobytes().split(b"\n", 1)[0]
    return repr(text.rstrip(b"\r"))[1:]  # as bytes: text would escape its escapes again
