"""Books of hand rounds to single readings: who read which tube, direction and depth."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.delimited import Content, parsed_file, read_content, read_keys
from pipeline.ingest.header import FileColumn
from pipeline.ingest.numerals import cell_texts
from pipeline.ingest.records import ParsedFile, RoundReadings
from pipeline.ingest.sheet import Sheet, open_sheet
from pipeline.site.layout import Layout, RoundsForm

MAX_TEXT_BYTES = 200  # of a reader's name; longer ones are cut
TUBE, DIRECTION, READER, DEPTH = "tube", "direction", "reader", "depth_cm"
_DEPTH_TEXT = re.compile(r"(\d{1,4}(?:[.,]\d{1,3})?)\s*(?:cm)?", re.IGNORECASE)


def read_rounds(data: bytes, layout: Layout, name: str) -> ParsedFile:
    """Return the hand readings of a delimited file, one value each.

    Parameters
    ----------
    data : bytes
        The whole file.
    layout : Layout
        How it is written down; columns named ``tube``, ``direction``, ``reader`` and
        ``depth_cm``, and channels named by their depth in centimetres.
    name : str
        Its path, for messages.

    Raises
    ------
    ReaderError
        If the file as a whole cannot be read, or its layout does not make a book of rounds.
    """
    sheet = _without_notes(open_sheet(data, layout, "rounds", name))
    form = layout.rounds or RoundsForm()
    by_row = any(column.column.role == "value" for column in sheet.columns)
    _require_columns(sheet, by_row)
    content, cells = read_content(sheet, layout, "value" if by_row else "channel")
    tube_codes, tubes = read_keys(content, _position(sheet, TUBE))
    direction = _directions(content, form)
    reader = _texts(content, READER)
    if by_row:
        depth_cm = _depth_column(content)
        depths = {position: depth_cm for position in cells}
    else:
        depths = {
            position: np.full(len(direction), _depth_cm(sheet.columns[position].column.name))
            for position in cells
        }
    values, depth = np.stack(list(cells.values())), np.stack([depths[p] for p in cells])
    row, column = np.nonzero((~np.isnan(values) & content.good).T)
    readings = RoundReadings(
        stamp_s=content.stamp_s[row],
        line=sheet.lines.number[row],
        tube=np.array(tubes, dtype=np.str_)[tube_codes[row]],
        reader=reader[row],
        direction_deg=direction[row],
        depth_m=np.round(depth[column, row] / 100.0, 5),
        value=values[column, row],
    )
    return replace(parsed_file(content, ()), rounds=readings)


def _without_notes(sheet: Sheet) -> Sheet:
    """Leave out columns not listed whose title is no depth: notes and the like."""
    names = {TUBE, DIRECTION, READER, DEPTH}
    keep = [
        k
        for k, c in enumerate(sheet.columns)
        if c.column.role != "channel"
        or (c.column.name not in names and not math.isnan(_depth_cm(c.column.name)))
        or c.column.titles
    ]
    return replace(
        sheet,
        columns=tuple(sheet.columns[k] for k in keep),
        spans=(sheet.spans[0][keep], sheet.spans[1][keep]),
    )


def _require_columns(sheet: Sheet, by_row: bool) -> None:
    """Raise unless every value has a tube and a depth."""
    names = [c.column.name for c in sheet.columns if c.column.role == "key"]
    needed = [TUBE, DEPTH] if by_row else [TUBE]
    missing = [name for name in needed if name not in names]
    channels = [c for c in sheet.columns if c.column.role == "channel"]
    odd = [c.column.name for c in channels if math.isnan(_depth_cm(c.column.name))]
    if missing:
        raise sheet.header.error(f"no column named {missing[0]!r} with role 'key'", "one")
    if not by_row and (odd or not channels):
        raise sheet.header.error(
            f"channel {odd[0]!r}" if odd else "no channel",
            "channels named by their depth in centimetres, such as '20' or '20 cm'",
            "Name the column so in the layout, or set its role to 'ignore'.",
        )


def _depth_cm(text: str) -> float:
    """Return the depth that a name or a cell states, NaN if it states none."""
    match = _DEPTH_TEXT.fullmatch(text.strip())
    return float(match[1].replace(",", ".")) if match else math.nan


def _position(sheet: Sheet, name: str) -> int:
    """Return the position of a column by its name, -1 if there is none."""
    found = [k for k, c in enumerate(sheet.columns) if _is_key(c) and c.column.name == name]
    return found[0] if found else -1


def _is_key(file_column: FileColumn) -> bool:
    return file_column.column.role == "key"


def _depth_column(content: Content) -> NDArray[np.float64]:
    """Return the depth [cm] of each row; rows that state none are set aside."""
    position = _position(content.sheet, DEPTH)
    codes, texts = cell_texts(content.sheet.buffer, content.sheet.cells(position))
    depth = np.array([_depth_cm(text) for text in texts] or [math.nan])[codes]
    content.set_rows_aside(np.isnan(depth), "not_a_number", position, "a depth in centimetres")
    return depth


def _directions(content: Content, form: RoundsForm) -> NDArray[np.float64]:
    """Return the direction [degree] of each row, NaN where none is noted."""
    position = _position(content.sheet, DIRECTION)
    if position < 0:
        return np.full(len(content.good), np.nan)
    codes, texts = cell_texts(content.sheet.buffer, content.sheet.cells(position))
    angles = [_angle(text.strip(), form.directions) for text in texts]
    direction = np.array([math.nan if a is None else a for a in angles] or [math.nan])[codes]
    unknown = np.array([a is None for a in angles] or [False])[codes]
    content.set_rows_aside(
        unknown,
        "not_a_number",
        position,
        f"a direction: {', '.join(form.directions)}, or degrees from 0 to 360",
    )
    return direction


def _angle(text: str, directions: dict[str, float]) -> float | None:
    """Return the angle of a direction, NaN for none, None if it cannot be told."""
    if not text:
        return math.nan
    if text in directions:
        return directions[text]
    match = re.fullmatch(r"(\d{1,3}(?:[.,]\d+)?)\s*°?", text)
    angle = float(match[1].replace(",", ".")) if match else math.inf
    return angle % 360.0 if angle <= 360.0 else None


def _texts(content: Content, name: str) -> NDArray[np.str_]:
    """Return a text column that may be absent or empty."""
    position = _position(content.sheet, name)
    if position < 0:
        return np.full(len(content.good), "", dtype=np.str_)
    start, stop = content.sheet.cells(position)
    sheet_bytes = content.sheet.buffer
    shortened = np.minimum(stop, start + MAX_TEXT_BYTES)
    for _ in range(3):  # a cut within a character goes back to where that begins
        within = sheet_bytes[np.minimum(shortened, len(sheet_bytes) - 1)] & 0xC0 == 0x80
        shortened = shortened - (within & (shortened < stop))
    codes, texts = cell_texts(content.sheet.buffer, (start, shortened))
    return np.array([text.strip() for text in texts] or [""], dtype=np.str_)[codes]
