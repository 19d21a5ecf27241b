"""A new state of a site's store: read what is new, compute what it changes, commit.

A night, a recalibration and an undoing differ in the description they go by and in what they
read; from there on they take this one way. Nothing is visible to others before `commit_state`.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from typing import Literal, TypedDict

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.engine.correcting import corrected_site
from pipeline.engine.effective import changed_days, effective_rules, rules_table
from pipeline.engine.engine import run_steps
from pipeline.errors import Problem, SiteError
from pipeline.ingest.intake import Intake, take_in
from pipeline.nights.own_store import described_here, other_descriptions
from pipeline.nights.periods import local_day
from pipeline.nights.redo import clear_marks, marked_days
from pipeline.record_step import run_record_steps
from pipeline.site.description_files import changed_files
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.steps import RECORD_STEPS, STATION_STEPS, TUBE_STEPS
from pipeline.store.description import UNDONE, InForce, keep_description, stored_files
from pipeline.store.state import Snapshot, Writer
from pipeline.variables import SIGNALS
from pipeline.words import counted

Stage = Literal["describe", "ingest", "compute", "commit"]
Timings = dict[Stage, float]  # seconds
_NAMED_FILES = 20


@dataclass
class Prepared:
    """What a new state brought: readings, and the days computed of tubes and of stations.

    ``tubes`` is (tube, day), ``stations`` (1, day).
    """

    intake: Intake
    tubes: NDArray[np.bool_]
    stations: NDArray[np.bool_]
    timings_s: Timings = field(default_factory=dict)

    @property
    def days(self) -> NDArray[np.bool_]:
        """Return the days on which anything was computed."""
        both = np.concatenate([self.tubes, self.stations])
        result: NDArray[np.bool_] = np.logical_or.reduce(both, axis=0)
        return result

    def message(self) -> str:
        """Return what the state brought, in one line."""
        entries = self.intake.read
        stored = sum(entry.stored for entry in entries)
        aside = [
            counted(count, name)
            for count, name in (
                (sum(entry.rejected_rows for entry in entries), "row"),
                (sum(entry.rejected for entry in entries), "value"),
            )
            if count
        ]
        text = (
            f"{counted(len(entries), 'file')} read, {counted(stored, 'value')} stored, "
            f"{counted(int(self.days.sum()), 'day')} computed"
        )
        return f"{text}, {' and '.join(aside)} set aside" if aside else text


def prepare_state(
    writer: Writer, before: Snapshot | None, site: Site, now_s: int, known_only: bool = False
) -> Prepared:
    """Take readings in and compute what they and the description change.

    Parameters
    ----------
    writer : Writer
        The state being prepared.
    before : Snapshot or None
        The state it starts from; None on the first night.
    site : Site
        The description to go by.
    now_s : int
        The present as UTC seconds.
    known_only : bool
        Leave new files alone: only what the description changes is done.

    Raises
    ------
    SiteError
        If the description no longer knows a tube whose readings are stored.
    PercologError
        If the store is another description's.
    """
    timings: Timings = {}
    others = [*other_descriptions(writer, site)]
    refuse_lost_tubes(writer, site)
    with timed(timings, "ingest"):
        intake = take_in(writer, before, site, now_s, known_only)
    with timed(timings, "compute"):
        redo, station = marked_days(writer)
        rained = station | intake.station_days.any(axis=0)
        site, samples = corrected_site(writer, site, intake.changed | redo, rained)
        intake.problems += [*others, *samples]
        tubes, stations = _compute(writer, site, intake)
    return Prepared(intake, tubes, stations, timings)


def commit_state(
    writer: Writer,
    before: Snapshot | None,
    found: InForce,
    prepared: Prepared,
    kind: str = "night",
) -> str:
    """Commit a prepared state and return its id; the old one's if there is nothing to commit.

    Parameters
    ----------
    kind : str
        Of what the state comes: ``night``, ``recalibrate`` or ``undo``.
    """
    if writer.attributes.get(UNDONE) and not found.undone and kind != "undo":
        writer.set_attributes({UNDONE: None})  # the description was edited again
    if before is not None and not writer.changed():
        return before.commit_id
    number = int(writer.attributes.get("nights", 0)) + 1
    writer.set_attributes({"nights": number, **described_here(found.site)})
    _stamp_days(writer, prepared.days, number)
    changes = [] if before is None else changed_files(stored_files(before), found.files)
    keep_description(writer, found.files)
    metadata = {
        "night": number,
        "kind": kind,
        "site_hash": site_hash(found.site),
        "code": version("percolog"),
        "files_read": len(prepared.intake.read),
        "steps": [f"{step.name} {step.version}" for step in (*TUBE_STEPS, *STATION_STEPS)],
        "brought": _brought(prepared, found.site),
        "description": [
            {"file": c.file, "added": len(c.added), "removed": len(c.removed)} for c in changes
        ],
    }
    return writer.commit(prepared.message(), metadata)


class Brought(TypedDict):
    """What a night or a recalibration brought, as a state's entry in the history tells it."""

    files: int  # read
    named: list[str]  # the first of them by name
    values: int  # stored
    set_aside: int  # values
    days: int  # computed
    tubes: int  # of which days were computed
    tube_days: int
    first: str | None  # day computed, of the site; None without any
    last: str | None


def _brought(prepared: Prepared, site: Site) -> Brought:
    """Return what a state brought, for its entry in the history."""
    read, days = prepared.intake.read, np.flatnonzero(prepared.days)
    span = [_date(site, int(day)) for day in (*days[:1], *days[-1:])]
    return {
        "files": len(read),
        "named": sorted(entry.path for entry in read)[:_NAMED_FILES],
        "values": sum(entry.stored for entry in read),
        "set_aside": sum(entry.rejected for entry in read),
        "days": len(days),
        "tubes": int(np.logical_or.reduce(prepared.tubes, axis=1).sum()),
        "tube_days": int(prepared.tubes.sum()),
        "first": span[0] if span else None,
        "last": span[1] if span else None,
    }


def _date(site: Site, day: int) -> str:
    """Return a day of the axis as a date in the site's own time."""
    return f"{local_day(site, day):%Y-%m-%d}"


def _compute(
    writer: Writer, site: Site, intake: Intake
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Run the steps over the days that readings or rules changed; return those written."""
    rules, stored = effective_rules(site), writer.table("rules")
    writer.replace_layers([layer.name for layer in site.derive.layers])
    changed = intake.changed | _seen_from_stations(writer, site, intake.station_days)
    for tube in site.tubes:
        row = writer.labels["tube"].index(tube.tube)
        changed[row] |= changed_days(
            stored,
            rules[tube.tube],
            tube.tube,
            site.axis,
            writer.days,
            partial(_days_read, writer, row),
        )
    redo, station = marked_days(writer)
    changed |= redo
    station |= intake.station_days.any(axis=0)
    station |= changed_days(stored, rules[""], "", site.axis, writer.days)
    computed = run_steps(writer, site, TUBE_STEPS, changed)
    stations = np.zeros((1, writer.days), dtype=bool)
    if site.stations:
        stations = run_steps(writer, site, STATION_STEPS, station[np.newaxis])
    # Rain that came late changes what rests on it.
    run_record_steps(writer, site, RECORD_STEPS, computed | stations)
    clear_marks(writer)
    table = rules_table(rules)
    if stored is None or not stored.equals(table):
        writer.put_table("rules", table)
    return computed, stations


def _days_read(writer: Writer, row: int) -> NDArray[np.bool_]:
    """Return on which days a tube has readings that calibration turns into water content."""
    found = np.zeros(writer.days, dtype=bool)
    for name in SIGNALS:
        key = f"readings/{name}"
        if writer.holds(key):
            values = writer.read(key, 0, writer.steps, slice(row, row + 1))
            by_day = values.reshape(writer.days, -1)
            found |= np.isfinite(by_day).any(axis=1)
    return found


def _seen_from_stations(
    writer: Writer, site: Site, station_days: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return on which days each tube is touched by what changed at the stations.

    A station's readings tell of the tubes wired to it; rain and air temperature of all.
    """
    labels = writer.labels
    touched = np.zeros((len(labels["tube"]), writer.days), dtype=bool)
    for row, station in enumerate(labels["station"]):
        wires = [wire for wire in site.wiring if wire.source == station]
        if any(wire.quantity in ("rain", "air_temperature") for wire in wires):
            touched |= station_days[row]
        for tube in {wire.tube for wire in wires if wire.tube}:
            touched[labels["tube"].index(tube)] |= station_days[row]
    return touched


def _stamp_days(writer: Writer, days: NDArray[np.bool_], number: int) -> None:
    """Note for each day in which night it was last computed; deliveries go by it."""
    stored = writer.table("day_nights")
    nights = np.zeros(len(days), dtype=np.int32)
    if stored is not None:
        old = stored["night"].to_numpy()
        nights[: len(old)] = old
    nights[days] = number
    writer.put_table("day_nights", pa.table({"night": nights}))


def refuse_lost_tubes(snapshot: Snapshot, site: Site) -> None:
    """Refuse a description that no longer knows a tube whose readings are stored."""
    kept = snapshot.labels["tube"]
    lost = [name for name in kept if name not in site.tube_by_id]
    new = [tube.tube for tube in site.tubes if tube.tube not in kept]
    advice = "Put the row back, with a date in 'removed' if it was taken out."
    if new:
        names = " or ".join(map(repr, new[:_NAMED_FILES]))
        advice = f"{advice} If it is called {names} now, write the old name again."
    if lost:
        raise SiteError(
            Problem(
                "tubes.csv",
                "column tube",
                f"no row for {name!r}, whose readings are stored",
                "a row for every tube that ever was",
                advice,
            )
            for name in lost
        )


@contextmanager
def timed(timings: Timings, name: Stage) -> Iterator[None]:
    """Add the seconds a block takes."""
    start = time.perf_counter()
    yield
    timings[name] = timings.get(name, 0.0) + time.perf_counter() - start
