"""The incremental engine: runs the table of steps over what changed, and over nothing else.

A change is known by tube and day. Each step states how far back and ahead it looks. From
that follows what it must write anew (every output that saw a changed input) and what it must
compute besides (inputs of later steps). The engine reads `pipeline.steps` and knows no
science. Because a step's result depends on its looks alone, the pieces fit together bit for
bit however the work is cut.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from itertools import starmap

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.errors import StoreError
from pipeline.runs import runs
from pipeline.site.models import Site
from pipeline.step import Step
from pipeline.store.cubes import CHUNK_DAYS, CHUNK_TUBES, DAY, SPECS, TIME
from pipeline.store.state import Writer

# One piece of work: this many tubes for this many days, about 150 MB for six depths at 10 min.
BLOCK_TUBES = 10 * CHUNK_TUBES
SLAB_DAYS = 2 * CHUNK_DAYS
WORKERS = 2


@dataclass(frozen=True)
class Span:
    """Days ``start`` to ``stop`` (exclusive); empty if they meet."""

    start: int
    stop: int

    def widen(self, back: int, ahead: int, days: int) -> Span:
        """Return the span lengthened on both sides, within the axis."""
        if self.empty:
            return self
        return Span(max(0, self.start - back), min(days, self.stop + ahead))

    def hull(self, other: Span) -> Span:
        """Return the smallest span that holds both."""
        if self.empty:
            return other
        if other.empty:
            return self
        return Span(min(self.start, other.start), max(self.stop, other.stop))

    def clip(self, other: Span) -> Span:
        """Return the days both share."""
        start, stop = max(self.start, other.start), min(self.stop, other.stop)
        return Span(start, max(start, stop))

    @property
    def empty(self) -> bool:
        """Tell whether the span holds no day."""
        return self.stop <= self.start


@dataclass(frozen=True)
class Piece:
    """What one call of each step computes and writes: columns of the axis, spans of days.

    Pieces with the same ``chunk`` may write into the same chunks of the store and are done one
    after the other.
    """

    chunk: tuple[int, int]
    columns: slice
    compute: tuple[Span, ...]  # one a step
    write: tuple[Span, ...]


def run_steps(
    writer: Writer, site: Site, steps: tuple[Step, ...], changed: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Run steps of one scope over the changed days and write what they give.

    Parameters
    ----------
    writer : Writer
        The state being prepared; readings are in it already.
    site : Site
        The site description.
    steps : tuple of Step
        In order; all of one scope.
    changed : array (tubes or 1, days), bool
        Days whose readings or rules changed; one row for steps of the stations, which are
        always computed together.

    Returns
    -------
    array (tubes or 1, days), bool
        Days on which something was written.
    """
    for step in steps:
        for key in step.writes:
            writer.ensure(key)
    jobs: dict[tuple[int, int], list[Piece]] = {}
    for piece in _pieces(changed, site, steps, writer.days):
        jobs.setdefault(piece.chunk, []).append(piece)
    lock = threading.Lock()

    written = np.zeros((len(changed), writer.days), dtype=bool)

    def work(job: list[Piece]) -> None:
        for piece in job:
            _run_piece(writer, site, steps, piece, lock)
            for span in piece.write:
                written[piece.columns, span.start : span.stop] = True

    with ThreadPoolExecutor(WORKERS) as pool:
        list(pool.map(work, jobs.values()))
    return written


def _pieces(
    changed: NDArray[np.bool_], site: Site, steps: tuple[Step, ...], days: int
) -> Iterator[Piece]:
    """Cut the changed days into pieces of bounded size, of tubes changed on the same days.

    A tube between two that changed is not computed with them.
    """
    looks = [_look_days(step, site) for step in steps]
    reach = sum(back + ahead for back, ahead in looks)
    for first in range(0, len(changed), BLOCK_TUBES):
        block = changed[first : first + BLOCK_TUBES]
        slab_days = _slab_days(block)
        for start, stop in _alike(block):
            columns = slice(first + start, first + stop)
            for run in starmap(Span, runs(block[start], 2 * reach + 1)):
                outputs = _outputs(steps, looks, run, days)
                total = Span(min(s.start for s in outputs), max(s.stop for s in outputs))
                for slab in _slabs(total, slab_days):
                    write = tuple(span.clip(slab) for span in outputs)
                    # Tubes share chunks: pieces of one block and slab are one thread's job.
                    chunk = (first, slab.start // slab_days)
                    yield Piece(chunk, columns, _needs(steps, looks, write, days), write)


def _alike(block: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Yield first and end of neighbouring tubes that changed on the same days."""
    edges = np.flatnonzero((block[1:] != block[:-1]).any(axis=1)) + 1
    starts, stops = [0, *edges.tolist()], [*edges.tolist(), len(block)]
    yield from zip(starts, stops, strict=True)


def _outputs(
    steps: tuple[Step, ...], looks: list[tuple[int, int]], run: Span, days: int
) -> list[Span]:
    """Return, for each step, the days on which an output saw a change."""
    seen: dict[str, Span] = {}
    outputs = []
    for step, (back, ahead) in zip(steps, looks, strict=True):
        span = run
        for key in step.reads:
            span = span.hull(seen.get(key, run))
        span = span.widen(ahead, back, days)
        outputs.append(span)
        seen.update(dict.fromkeys(step.writes, span))
    return outputs


def _needs(
    steps: tuple[Step, ...],
    looks: list[tuple[int, int]],
    write: tuple[Span, ...],
    days: int,
) -> tuple[Span, ...]:
    """Return, for each step, the days it must compute so that later steps can look."""
    needed: dict[str, Span] = {}
    compute = list(write)
    for i in reversed(range(len(steps))):
        for key in steps[i].writes:
            compute[i] = compute[i].hull(needed.get(key, Span(0, 0)))
        look = compute[i].widen(*looks[i], days)
        for key in steps[i].reads:
            needed[key] = needed.get(key, Span(0, 0)).hull(look)
    return tuple(compute)


def _run_piece(
    writer: Writer, site: Site, steps: tuple[Step, ...], piece: Piece, lock: threading.Lock
) -> None:
    """Run every step over one piece, keeping results in memory for the steps behind."""
    memory: dict[str, tuple[int, NDArray]] = {}
    for step, compute, write in zip(steps, piece.compute, piece.write, strict=True):
        if compute.empty:
            continue
        window = compute.widen(*_look_days(step, site), writer.days)
        block = _block(writer, step.reads, window, piece.columns, memory)
        depths = _described_depths(writer, site)
        result = step.function(_select(block, depths), site)
        for key in step.writes:
            values = _values(result, key, step)
            if depths is not None and "depth" in SPECS[key].dims:
                values = _on_all_depths(values, key, depths, len(writer.labels["depth"]))
            per_day = _per_day(writer, key)
            skip = (compute.start - window.start) * per_day
            values = values[skip : skip + (compute.stop - compute.start) * per_day]
            memory[key] = (compute.start, values)
            if write.empty:
                continue
            skip = (write.start - compute.start) * per_day
            part = values[skip : skip + (write.stop - write.start) * per_day]
            # A chunk of daily values spans many slabs; all others belong to one.
            with lock if SPECS[key].group == "daily" else nullcontext():
                columns = _columns_of(key, piece.columns)
                writer.replace(key, write.start * per_day, part, columns)


def _described_depths(writer: Writer, site: Site) -> list[int] | None:
    """Return where the depths of the site lie on the stored axis; None if it has just those.

    The stored axis only grows: it holds depths in the order in which they came, also those
    that were written by mistake once. Steps are given the site's depths alone, downwards, so
    that a corrected description computes what it would have from the beginning.
    """
    stored = writer.labels["depth"]
    if list(site.depths_m) == stored:
        return None
    return [stored.index(depth) for depth in site.depths_m]


def _select(block: xr.Dataset, depths: list[int] | None) -> xr.Dataset:
    return block if depths is None or "depth" not in block.dims else block.isel(depth=depths)


def _on_all_depths(values: NDArray, key: str, depths: list[int], count: int) -> NDArray:
    """Return values on the stored axis of depths, empty where the site has no such depth."""
    result = SPECS[key].empty((*values.shape[:-1], count))
    result[..., depths] = values
    return result


def _block(
    writer: Writer,
    reads: Iterable[str],
    window: Span,
    columns: slice,
    memory: dict[str, tuple[int, NDArray]],
) -> xr.Dataset:
    """Return the variables a step reads over a window, from memory or from the store."""
    variables = {}
    dims: set[str] = set()  # also of what is not logged: a step may ask for its coordinates
    for key in reads:
        spec, per_day = SPECS[key], _per_day(writer, key)
        dims.update(spec.dims)
        if key in memory:
            first, values = memory[key]
            skip = (window.start - first) * per_day
            values = values[skip : skip + (window.stop - window.start) * per_day]
        elif writer.holds(key):
            part = _columns_of(key, columns)
            values = writer.read(key, window.start * per_day, window.stop * per_day, part)
        else:
            continue
        variables[spec.name] = (spec.dims, values)
    return xr.Dataset(variables, coords=_coordinates(writer, dims, window, columns))


def _coordinates(
    writer: Writer, dims: set[str], window: Span, columns: slice
) -> dict[str, tuple[str, NDArray]]:
    """Return the coordinates of a block."""
    per_day = writer.axis.steps_per_day
    times = writer.axis.times(window.start * per_day, window.stop * per_day)
    labels = writer.labels
    coordinates = {
        TIME: times,
        DAY: times[::per_day],
        "tube": np.array(labels["tube"][columns], dtype=object),
        "station": np.array(labels["station"], dtype=object),
        "depth": np.array(labels["depth"], dtype=np.float64),
        "layer": np.array(labels["layer"], dtype=object),
    }
    return {dim: (dim, coordinates[dim]) for dim in sorted(dims)}


def _columns_of(key: str, columns: slice) -> slice:
    """Return which columns of an array belong to a block of tubes: of the stations all."""
    return columns if "tube" in SPECS[key].dims else slice(None)


def _values(result: xr.Dataset, key: str, step: Step) -> NDArray:
    """Return one output of a step in the store's own order and type."""
    spec = SPECS[key]
    if spec.name not in result:
        raise StoreError(f"step {step.name!r}: expected it to write {spec.name!r}, it did not")
    return result[spec.name].transpose(*spec.dims).values.astype(spec.dtype, copy=False)


def _per_day(writer: Writer, key: str) -> int:
    return writer.axis.steps_per_day if SPECS[key].dims[0] == TIME else 1


def _look_days(step: Step, site: Site) -> tuple[int, int]:
    """Return how many whole days a step looks back and ahead."""
    back, ahead = step.look(site)
    return -(-back // DAY_S), -(-ahead // DAY_S)


def _slab_days(block: NDArray[np.bool_]) -> int:
    """Return how many days a piece of a block takes: the more, the fewer tubes it has."""
    tubes = np.flatnonzero(block.any(axis=1))
    if not len(tubes):
        return SLAB_DAYS
    return SLAB_DAYS * (BLOCK_TUBES // (int(tubes[-1]) - int(tubes[0]) + 1))


def _slabs(total: Span, days: int) -> Iterator[Span]:
    """Cut a span at fixed multiples of the slab, so that no two slabs share a chunk."""
    for start in range(total.start // days * days, total.stop, days):
        yield total.clip(Span(start, start + days))
