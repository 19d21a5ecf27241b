"""From a stored reading back to the ground: wiring row, clock, file, line, what it beat."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from pipeline.axis import iso_utc
from pipeline.ingest.clock_logged import logged_time
from pipeline.ingest.ledger import FileEntry
from pipeline.ingest.records import Repair
from pipeline.ingest.whereabouts import Whereabouts, packing
from pipeline.lineage.number import Proof, written_number
from pipeline.lineage.raw import Found, Writing, head_lines, line_account, open_raw
from pipeline.lineage.view import (
    Moment,
    View,
    integers,
    local_iso,
    number,
    rows_of,
    utc_text,
)
from pipeline.site.fingerprint import source_fingerprint
from pipeline.site.models import Source, Wire
from pipeline.units import conversion
from pipeline.variables import VARIABLES

_HEAD_LINES = 40


@dataclass(frozen=True)
class Place:
    """A cell of one quantity in the readings: row (tube or station) and column (depth).

    ``label`` is the tube or the station; depth and column are None for a station.
    """

    quantity: str
    label: str
    depth_m: float | None
    row: int
    column: int | None


@dataclass(frozen=True)
class Reading:
    """One stored reading: its value and where it came from."""

    place: Place
    value: np.float32
    file: int
    line: int
    offset_s: int


def stored_reading(view: View, place: Place, moment: Moment) -> Reading | None:
    """Return the reading a cell holds, None where it is empty."""
    key, at = f"readings/{place.quantity}", (moment.step, place.row, place.column)
    if not view.snapshot.holds(key):
        return None
    value = np.float32(view.cell(key, *at))
    if np.isnan(value):
        return None
    file, line, offset = (
        int(view.cell(f"{key}_{part}", *at)) for part in ("file", "line", "offset_s")
    )
    return Reading(place, value, file, line, offset)


def trace_reading(view: View, reading: Reading, moment: Moment) -> dict[str, object]:
    """Return where a reading came from, JSON-ready.

    Returns
    -------
    dict
        ``signal`` (as logged and canonical), ``wiring``, ``clock``, ``file``, ``line`` and
        ``superseded`` (other readings of the same cell, each with its file and line).
    """
    entry = view.entry(reading.file)
    if entry is None:
        view.remarks.append("the ledger has no file for this reading; report the store")
        return {"signal": _signal(reading, None, None, None), "superseded": []}
    utc_s = moment.at_s + reading.offset_s
    source = next((s for s in view.site.sources if s.id == entry.source), None)
    wire = _wire(view, reading.place, entry.source, utc_s)
    _remark_on_source(view, entry, source)
    writing = _writing(view, source)
    found = _open(view, entry, writing)
    line = line_account(found, reading.line, writing)
    proof = _proof(reading, wire)
    written = None
    if wire is not None and proof is not None:
        sought = Sought((wire.channel,), proof, wire.unit)
        written = _number_in(view, source, found, (line["text"], writing), sought)
    if found.stream is not None:
        found.stream.close()
    channel = wire.channel if wire else ""
    return {
        "signal": _signal(reading, wire, proof, written),
        "wiring": _wiring(wire),
        "clock": {
            **_clock(entry, utc_s, reading, channel),
            # A reply is joined to the command that asked for it, some lines above.
            "stamp_of": "start of the measurement" if _is_bus(source) else "the line",
        },
        "file": _file(view, entry, found),
        "line": line,
        "superseded": list(_superseded(view, reading, moment, entry)),
    }


@dataclass(frozen=True)
class Sought:
    """A number to be found in a line: the channels it may be of, its proof, and its unit."""

    channels: tuple[str, ...]
    proof: Proof
    unit: str


def raw_of(
    view: View, file: int, line: int, sought: Sought | None = None
) -> dict[str, object]:
    """Return ``file`` and ``line`` of a row of a table, as `trace_reading` tells them.

    With a number to be found also ``as_logged``, as it stands in the line.
    """
    entry = view.entry(file)
    if entry is None:
        gone = {"path": "?", "lies_in": None, "state": "gone"}
        return {"file": gone, "line": {"line": line, "first_byte": None, "text": None}}
    source = next((s for s in view.site.sources if s.id == entry.source), None)
    writing = _writing(view, source)
    found = _open(view, entry, writing)
    account = line_account(found, line, writing)
    told: dict[str, object] = {"file": _file(view, entry, found), "line": account}
    if sought is not None:
        told["as_logged"] = _number_in(view, source, found, (account["text"], writing), sought)
    if found.stream is not None:
        found.stream.close()
    return told


def _open(view: View, entry: FileEntry, writing: Writing) -> Found:
    """Find a raw file again, also where it lies packed, unpacked or elsewhere now."""
    found = open_raw(view.site.data, entry, writing)
    if found.is_as_read:
        return found
    other = view.places.of(entry)
    if other is None:
        return _with_namesake(found, view.places, entry)
    if found.stream is not None:
        found.stream.close()
    moved = open_raw(view.site.data, replace(entry, path=other.path), writing)
    became = packing(entry.path, other.path)
    how = f"it was {became} and lies" if became else "it lies"
    return replace(moved, said=f"{how} in {other.path!r} now; {moved.said}")


def _with_namesake(found: Found, places: Whereabouts, entry: FileEntry) -> Found:
    """Tell of a file that is gone which file bears its name, though it is another one."""
    other = next(places.beside(entry), None) if found.state == "gone" else None
    if other is None:
        return found
    said = (
        f"the file is no longer there, and {other.path!r}, which bears its name "
        f"{packing(entry.path, other.path)}, does not hold the bytes that were read"
    )
    return replace(found, state="changed", said=said, checked="sha256 of the content")


def wires_at(view: View, place: Place, at_s: int) -> list[Wire]:
    """Return the rows of the wiring that hold for a cell at an instant, of any source."""
    return [
        wire
        for wire in view.site.wiring
        if (wire.quantity, wire.depth_m) == (place.quantity, place.depth_m)
        and (wire.source if wire.at_station else wire.tube) == place.label
        and (wire.start is None or wire.start.timestamp() <= at_s)
        and (wire.until is None or at_s < wire.until.timestamp())
    ]


def _wire(view: View, place: Place, source: str, at_s: int) -> Wire | None:
    found = [wire for wire in wires_at(view, place, at_s) if wire.source == source]
    if not found:
        view.remarks.append(
            f"no row of wiring.csv leads from source {source!r} to this cell any more; the "
            f"reading was placed by an earlier description"
        )
    return found[0] if found else None


def _remark_on_source(view: View, entry: FileEntry, source: Source | None) -> None:
    if source is None:
        view.remarks.append(f"site.toml has no source {entry.source!r} any more")
    elif source_fingerprint(view.site, source.id) != entry.fingerprint:
        view.remarks.append(
            f"source {source.id!r} is described otherwise now than when the file was read; "
            f"wiring row, unit and layout are shown as they are written today"
        )


def _is_bus(source: Source | None) -> bool:
    return source is not None and source.kind == "sdi12"


def _writing(view: View, source: Source | None) -> Writing:
    """Return how a source's files fall into lines; of one that is gone, the usual way."""
    if source is None:
        return Writing("utf-8", lone_returns=True)
    layout = view.site.layouts[source.layout]
    if layout.transcript is not None and _is_bus(source):
        return Writing(layout.transcript.encoding, lone_returns=False)
    return Writing(layout.dialect.encoding, lone_returns=True)


def _proof(reading: Reading, wire: Wire | None) -> Proof | None:
    if wire is None:
        return None
    return Proof(reading.value, conversion(wire.unit, wire.quantity))


def _number_in(
    view: View,
    source: Source | None,
    found: Found,
    line: tuple[str | None, Writing],
    sought: Sought,
) -> dict[str, object] | None:
    """Return the number as it stands in the line, None where it cannot be found there."""
    text, writing = line
    if text is None or source is None or not found.stream:
        return None
    encoding = writing.encoding if found.exact else "utf-8"
    head = [
        raw.decode(encoding, errors="replace")
        for raw in head_lines(found.stream, _HEAD_LINES, writing.lone_returns)
    ]
    layout = view.site.layouts[source.layout]
    each = [written_number(text, head, layout, c, sought.proof) for c in sought.channels]
    written = next((w for w in each if w is not None and w.column is not None), each[0])
    return None if written is None else written.as_dict(sought.unit)


def _signal(
    reading: Reading,
    wire: Wire | None,
    proof: Proof | None,
    written: dict[str, object] | None,
) -> dict[str, object]:
    """Return the value as stored and as logged.

    ``as_logged`` is the number that stands in the line; ``worked_back`` the stored value in
    the unit of the file, for files that can no longer be read.
    """
    quantity = reading.place.quantity
    account: dict[str, object] = {
        "quantity": quantity,
        "value": number(reading.value),
        "units": VARIABLES[quantity].units,
        "as_logged": written,
        "worked_back": None,
        "conversion": None,
    }
    if wire is not None and proof is not None:
        account["worked_back"] = {"value": proof.as_logged(), "unit": wire.unit}
        account["conversion"] = asdict(proof.conversion)
    return account


def _wiring(wire: Wire | None) -> dict[str, object] | None:
    if wire is None:
        return None
    return {
        "file": "wiring.csv",
        "line": wire.row,
        "source": wire.source,
        "channel": wire.channel,
        "tube": wire.tube,
        "depth_m": wire.depth_m,
        "quantity": wire.quantity,
        "unit": wire.unit,
        "probe": wire.probe,
        "from": utc_text(wire.start),
        "until": utc_text(wire.until),
    }


def _clock(entry: FileEntry, utc_s: int, reading: Reading, channel: str) -> dict[str, object]:
    """Return how the stamp in the file became an instant of the axis."""
    account: dict[str, object] = {
        "utc": iso_utc(utc_s),
        "offset_from_step_s": reading.offset_s,
        "as_logged": None,
        "read_by": None,
        "repairs": [],
    }
    if not entry.clock:  # stored before clocks were accounted for
        return account
    line = np.array([reading.line], dtype=np.int32)
    logged = int(logged_time(entry, np.array([utc_s]), line, channel)[0])
    account["as_logged"] = local_iso(logged)
    account["read_by"] = json.loads(entry.clock)
    account["added_s"] = utc_s - logged
    account["repairs"] = [
        _repair(repair) for repair in entry.repairs if _holds(repair, reading.line, channel)
    ]
    return account


def _holds(repair: Repair, line: int, channel: str) -> bool:
    named = not repair.channels or channel in repair.channels
    return named and repair.first_line <= line <= repair.last_line


def _repair(repair: Repair) -> dict[str, object]:
    names = ("kind", "first_line", "last_line", "least_s", "most_s", "evidence")
    return {name: getattr(repair, name) for name in names}


def _file(view: View, entry: FileEntry, found: Found) -> dict[str, object]:
    said = found.said
    if entry.state == "replaced":
        said = f"revision {entry.revision} was replaced by a later one; {said}"
    return {
        "path": entry.path,
        "lies_in": found.lies_in or None,
        "full_path": str(view.site.data / (found.lies_in or entry.path)),
        "source": entry.source,
        "revision": entry.revision,
        "size": entry.size,
        "sha256": entry.sha256,
        "state": found.state,
        "said": said,
        "checked_by": found.checked,
    }


def _superseded(
    view: View, reading: Reading, moment: Moment, winner: FileEntry
) -> Iterator[dict[str, object]]:
    """Yield the readings that lost the cell, each with why."""
    table = view.snapshot.table("superseded")
    if table is None or table.num_rows == 0:
        return
    place = reading.place
    rows = np.flatnonzero(integers(table, "step") == moment.step)
    for row in rows_of(table, rows):
        at_depth = place.depth_m is None or row["depth_m"] == place.depth_m
        if (row["quantity"], row["place"]) != (place.quantity, place.label) or not at_depth:
            continue
        entry = view.entry(row["file"])
        yield {
            "value": number(np.float32(row["value"])),
            "offset_from_step_s": row["offset_s"],
            "path": entry.path if entry else None,
            "revision": entry.revision if entry else None,
            "line": row["line"],
            "lost_because": _why(row, entry, reading, winner),
        }


def _why(
    row: dict[str, Any], entry: FileEntry | None, reading: Reading, winner: FileEntry
) -> str:
    """Return by which rule of `pipeline.ingest.merge` a reading lost its cell."""
    offset, kept = row["offset_s"], reading.offset_s
    if abs(offset) != abs(kept):
        return f"the reading kept lies nearer to the step ({abs(kept)} s, not {abs(offset)} s)"
    if offset != kept:
        return "of two as near to the step the earlier one is kept"
    if entry is not None and entry.file == winner.file:
        return "within one file the later line is kept"
    if entry is not None and entry.path == winner.path:
        return "of two revisions of a file the later one is kept"
    return "of two files that name the same time the one whose path sorts last is kept"
