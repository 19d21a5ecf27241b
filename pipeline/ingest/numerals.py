"""Cells to numbers, correctly rounded, without a detour over text.

The common cell is read in compiled code by one exactly rounded operation; the rare cell with
more digits than that can take is handed to Arrow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.ingest.fields import Spans, gather
from pipeline.ingest.scan_numerals import HARD, NULL, NUMBER, TEXT, plain_numerals, read_cells
from pipeline.site.layout import Datatype

__all__ = [
    "NULL",
    "NUMBER",
    "TEXT",
    "NumberRule",
    "cell_text",
    "cell_texts",
    "number_rule",
    "read_numbers",
]

# A sentinel written with other decimals, or gone through a float32, is still the sentinel.
_SENTINEL_TOLERANCE = 1e-6


@dataclass(frozen=True)
class NumberRule:
    """How numbers are written, and what stands for no value.

    Columns of one rule are read at once. An empty cell never holds a value.
    """

    decimal: str = "."
    group: str = ""
    null: tuple[str, ...] = ()
    sentinels: tuple[float, ...] = ()


def number_rule(
    datatype: Datatype, null: tuple[str, ...] = (), sentinels: tuple[float, ...] = ()
) -> NumberRule:
    """Return how a column of ``datatype`` writes numbers."""
    return NumberRule(datatype.decimal_char, datatype.group_char or "", null, sentinels)


def _bytes(text: str) -> NDArray[np.uint8]:
    return np.frombuffer(text.encode(), dtype=np.uint8)


def _markers(null: tuple[str, ...]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Return the null markers (markers, longest) padded, and their lengths."""
    texts = [marker.strip().encode() for marker in null if marker.strip()]
    longest = max((len(text) for text in texts), default=1)
    padded = b"".join(text.ljust(longest, b"\0") for text in texts)
    table = np.frombuffer(padded, dtype=np.uint8).reshape(len(texts), longest)
    return table, np.array([len(text) for text in texts], dtype=np.int64)


def read_numbers(
    buffer: NDArray[np.uint8], spans: Spans, rule: NumberRule
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return the values of cells and what each cell is.

    Parameters
    ----------
    buffer, spans
        The text and the cells' places, (columns, rows).
    rule : NumberRule
        How these columns write numbers.

    Returns
    -------
    values : ndarray (columns, rows) of float64
        NaN unless the cell is a number.
    kinds : ndarray (columns, rows) of uint8
        `NUMBER`, `NULL` (empty, a null marker, a sentinel) or `TEXT`.
    """
    values = np.empty(spans[0].shape, dtype=np.float64)
    kinds = np.empty(spans[0].shape, dtype=np.uint8)
    decimal, group = ord(rule.decimal), _bytes(rule.group)
    read_cells(buffer, *spans, decimal, group, *_markers(rule.null), values, kinds)
    _read_hard(buffer, spans, rule, values, kinds)
    for sentinel in rule.sentinels:
        near = np.abs(values - sentinel) <= _SENTINEL_TOLERANCE * max(1.0, abs(sentinel))
        kinds[near] = NULL
        values[near] = np.nan
    return values, kinds


def _read_hard(
    buffer: NDArray[np.uint8],
    spans: Spans,
    rule: NumberRule,
    values: NDArray[np.float64],
    kinds: NDArray[np.uint8],
) -> None:
    """Read the well-formed cells with more digits than the short way can round correctly."""
    hard = kinds == HARD
    count = int(np.count_nonzero(hard))
    if not count:
        return
    starts, stops = spans[0][hard], spans[1][hard]
    plain = np.empty(int((stops - starts).sum()), dtype=np.uint8)
    offsets = np.zeros(count + 1, dtype=np.int32)
    plain_numerals(
        buffer, starts, stops, ord(rule.decimal), _bytes(rule.group), offsets, plain
    )
    text = pa.StringArray.from_buffers(
        count, pa.py_buffer(offsets), pa.py_buffer(plain[: offsets[-1]])
    )
    found = text.cast(pa.float64()).to_numpy(zero_copy_only=False)
    held = np.isfinite(found)
    values[hard] = np.where(held, found, np.nan)
    kinds[hard] = np.where(held, NUMBER, TEXT)


def cell_text(buffer: NDArray[np.uint8], spans: Spans, index: int, limit: int = 40) -> str:
    """Return one cell as a person would quote it, cut to ``limit`` characters."""
    raw = buffer[spans[0][index] : spans[1][index]][: 4 * limit].tobytes()
    text = raw.decode("utf-8", errors="replace")
    return repr(text if len(text) <= limit else text[:limit] + "…")


def cell_texts(buffer: NDArray[np.uint8], spans: Spans) -> tuple[NDArray[np.int32], list[str]]:
    """Return codes (n,) and the distinct texts they stand for, in order of appearance."""
    offsets, data = gather(buffer, spans)
    array = pa.LargeStringArray.from_buffers(
        len(spans[0]), pa.py_buffer(offsets), pa.py_buffer(data)
    )
    encoded = array.dictionary_encode()
    codes = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int32)
    return codes, encoded.dictionary.to_pylist()
