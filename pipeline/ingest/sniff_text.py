"""The text of an unknown file: its encoding, its lines, and how they may fall into cells."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.ingest.sniff_cells import is_typed

SAMPLE_LINES = 2000
_SCORED_LINES = 400
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_LINE_END = re.compile(r"\r\n|\n|\r")
_COMMENT = re.compile(r"^\s*\"?(#|//|%|\*|!)")
# In order of preference where two explain a file equally well.
DELIMITERS = ("\t", ";", "|", ",", " +")
_LEAST_SCORE = 0.05
_LEAST_TYPED = 0.4  # of the cells of a row of data
_BLANKS_WEIGH = 0.9  # a delimiter that explains as much is preferred
# Fixed columns are looked for only where no delimiter does, since digits line up by chance.
_PLAINLY_PARTED, _BLANKS_DO = 0.4, 0.88
_LONGEST_LINE = 20_000


@dataclass(frozen=True)
class Text:
    """The whole lines of a sample, and how its bytes are to be read."""

    encoding: str
    lines: tuple[str, ...]
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Split:
    """How lines fall into cells: a delimiter, or (None) the edges of fixed columns."""

    delimiter: str | None
    width: int
    score: float
    edges: tuple[int, ...] = ()

    def cells(self, line: str) -> list[str]:
        """Return the cells of a line, without quotes and blanks around."""
        if self.delimiter is None:
            pairs = zip(self.edges[:-1], (*self.edges[1:-1], len(line)), strict=True)
            return [line[a:b].strip() for a, b in pairs]
        return split_line(line, self.delimiter)


def is_text(data: bytes) -> bool:
    """Tell whether bytes may be text in any encoding that a logger writes."""
    if data.startswith(tuple(mark for mark, _ in _MARKS)) or _wide_encoding(data):
        return True
    controls = sum(
        data[:4000].count(byte) for byte in range(32) if byte not in b"\t\n\r\f\x1a"
    )
    return controls * 50 < min(len(data), 4000)


def open_text(data: bytes) -> Text:
    """Return the lines of a sample; a last one without end may be cut and is left out."""
    encoding, doubts = _encoding(data)
    text = data.decode(encoding, errors="replace").lstrip("\ufeff").rstrip("\x1a")
    lines = _LINE_END.split(text)
    ended = not lines[-1] or len(lines) == 1
    lines = lines[:-1] if ended and len(lines) > 1 else lines
    lines = lines if ended else lines[:-1]
    return Text(encoding, tuple(line[:_LONGEST_LINE] for line in lines), doubts)


def _encoding(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Return the encoding of bytes, and what is unsure about it."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            return name, ()
    wide = _wide_encoding(data)
    if wide:
        return wide, (f"the encoding: {wide} by the zeros between the letters",)
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data)  # the last letter may be cut
    except UnicodeDecodeError as error:
        around = data[max(0, error.start - 20) : error.start + 12]
        high = [byte for byte in data if 0x80 <= byte < 0xA0]
        name = "cp1252" if high else "iso-8859-1"
        shown = max(re.split(r"[\r\n]", around.decode(name, errors="replace")), key=len)
        return name, (f"the encoding: no UTF-8, so one byte a letter; {name} gives {shown!r}",)
    return "utf-8", ()


def _wide_encoding(data: bytes) -> str:
    """Return UTF-16 without a mark, told by its zeros; "" for anything else."""
    head = data[:4000]
    even, odd = head[::2].count(0), head[1::2].count(0)
    if odd > len(head) // 4 and even * 10 < odd:
        return "utf-16-le"
    return "utf-16-be" if even > len(head) // 4 and odd * 10 < even else ""


def comment_prefix(line: str) -> str:
    """Return what marks a line as a comment, or ""."""
    match = _COMMENT.match(line)
    return match[1] if match else ""


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, without quotes and blanks around."""
    if delimiter == " +":
        return [cell.strip('"') for cell in line.split()]
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    return [cell.strip() for cell in row]


def best_splits(lines: Sequence[str]) -> list[Split]:
    """Return the ways in which lines fall into cells that mean something, the best first."""
    rows = [line for line in lines if line.strip() and not comment_prefix(line)]
    rows = rows[:_SCORED_LINES] or [line for line in lines if line.strip()][:_SCORED_LINES]
    found = [_delimited(rows, delimiter) for delimiter in DELIMITERS]
    *parted, blanks = (0.0 if split is None else split.score for split in found)
    if max(parted) < _PLAINLY_PARTED and blanks < _BLANKS_DO:
        found.append(_fixed(rows))
    splits = [split for split in found if split is not None and split.score > _LEAST_SCORE]
    return sorted(splits, key=lambda split: -split.score)


def _delimited(rows: Sequence[str], delimiter: str) -> Split | None:
    cells = [split_line(row, delimiter) for row in rows]
    # A separator at the end of a line makes no column.
    widths = Counter(len(row) - (len(row) > 2 and not row[-1]) for row in cells)
    width, _ = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    if width < 2:
        return None
    score = _score([row if has_width(row, width) else [] for row in cells])
    return Split(delimiter, width, score * (_BLANKS_WEIGH if delimiter == " +" else 1.0))


def has_width(row: Sequence[str], width: int) -> bool:
    """Tell whether a row has a number of cells; an empty one more ends many lines."""
    return len(row) == width or (len(row) == width + 1 and not row[-1])


def _score(rows: Sequence[Sequence[str]]) -> float:
    """Return how much of a table means something, from its first row of data on."""
    shares = [_typed_share(row) for row in rows]
    data = [share >= _LEAST_TYPED for share in shares]
    if True not in data:
        return 0.0
    first = data.index(True)
    return sum(share for share, is_data in zip(shares, data, strict=True) if is_data) / (
        len(rows) - first
    )


def _typed_share(row: Sequence[str]) -> float:
    told = [is_typed(cell) for cell in row if cell]
    return sum(told) / len(told) if told else 0.0


def _fixed(rows: Sequence[str]) -> Split | None:
    """Return the columns parted by blanks that run through all rows with numbers in them."""
    body = [
        row.expandtabs() for row in rows if sum(map(str.isdigit, row)) * 4 > len(row.strip())
    ]
    if len(body) < 2:
        return None
    length = max(map(len, body))
    filled = [any(k < len(row) and row[k] != " " for row in body) for k in range(length)]
    # A column ends where its last character stands: numbers lean to the right.
    ends = [
        k + 1 for k in range(length) if filled[k] and not (k + 1 < length and filled[k + 1])
    ]
    if len(ends) < 2:
        return None
    split = Split(None, len(ends), 0.0, (0, *ends))
    score = _score([split.cells(row) for row in rows])
    return Split(None, len(ends), _BLANKS_WEIGH * score, (0, *ends))
