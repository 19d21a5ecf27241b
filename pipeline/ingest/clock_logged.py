"""Back from an instant on the axis to the stamp as the logger wrote it."""

from __future__ import annotations

import json

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clock import ClockRules, parse_utc_offset
from pipeline.ingest.clock_drift import undo_drift
from pipeline.ingest.clock_zone import zone_table
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.records import Repair


def clock_record(rules: ClockRules) -> str:
    """Return what a file's account keeps of the clock that its stamps were read by."""
    record = rules.clock.model_dump(mode="json", include={"utc_offset", "zone"})
    return json.dumps({**record, "shift_s": rules.shift_s}, sort_keys=True)


def logged_time(
    entry: FileEntry, utc_s: NDArray[np.int64], line: NDArray[np.int32], channel: str = ""
) -> NDArray[np.int64]:
    """Return the stamps that a file's readings bear in the file.

    Needs the file's account only, and so holds for files whose source has been described
    otherwise since.

    Parameters
    ----------
    entry : FileEntry
        Account of the file that the readings came from.
    utc_s : array (n,)
        Instants of the readings: that of the step plus the stored offset.
    line : array (n,)
        Lines of the readings in the file.
    channel : str
        Their channel; needed where a file has several tables.

    Returns
    -------
    array (n,)
        Seconds since 1970-01-01 00:00 on the logger's own clock. Exact, but where a fast clock
        gained a second two stamps a second apart share an instant, and the one at a full
        minute is taken.
    """
    record = json.loads(entry.clock)
    logged = np.array(utc_s, dtype=np.int64)
    repairs = [r for r in entry.repairs if not r.channels or channel in r.channels]
    for repair in _of_kind(repairs, "clock_drift"):
        rows = _rows(repair, line)
        logged[rows] = undo_drift(logged[rows], repair.nodes)
    logged -= record["shift_s"]
    for repair in _of_kind(repairs, "clock_reset"):
        logged[_rows(repair, line)] -= repair.least_s
    if record["zone"] is None or not len(logged):
        return logged + parse_utc_offset(record["utc_offset"] or "Z")
    local = zone_table(record["zone"], int(logged.min()), int(logged.max())).to_local(logged)
    for repair in _of_kind(repairs, "late_jump"):
        local[_rows(repair, line)] -= repair.least_s
    return local


def _of_kind(repairs: list[Repair], kind: str) -> list[Repair]:
    return [repair for repair in repairs if repair.kind == kind]


def _rows(repair: Repair, line: NDArray[np.int32]) -> NDArray[np.bool_]:
    return (line >= repair.first_line) & (line <= repair.last_line)
