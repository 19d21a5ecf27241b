"""One state of a site's store: read-only as a `Snapshot`, being prepared as a `Writer`."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

# The library is told to be quiet before it is loaded: it warns of local folders at each
# opening, and the lock of `pipeline.store.site_store` is what the warning asks for. Errors it
# raises as well; what it logs goes to standard output, where a document of ours may be.
os.environ.setdefault("ICECHUNK_LOG", "off")

import icechunk
import zarr
from zarr.codecs import BloscCodec, BloscShuffle, Crc32cCodec
from zarr.core.sync import sync

from pipeline.axis import TimeAxis
from pipeline.errors import LockedError, StoreError
from pipeline.runs import runs
from pipeline.store.cubes import (
    CHUNK_DAYS,
    CHUNK_DAYS_DAILY,
    CHUNK_TUBES,
    DAY,
    GROUPS,
    SPECS,
    TIME,
    ArraySpec,
)
from pipeline.store.held import HeldStore, told_if_lost
from pipeline.store.object_store import told_fault
from pipeline.store.tables import PARTS, joined, packed, unpacked

if TYPE_CHECKING:  # half a second that a look at one cell does not need
    import pyarrow as pa
    import xarray as xr

# The checksum is the compressed chunk's: a flipped bit is an error when the chunk is read,
# never another number.
_CHECKSUM = Crc32cCodec()
_COMPRESSORS = (
    BloscCodec(cname="zstd", clevel=3, shuffle=BloscShuffle.shuffle),
    _CHECKSUM,
)
# A coordinate is one chunk for decades; a table is always one chunk.
_COORDINATE_CHUNK = 65_536


class Snapshot:
    """One state of the store, read-only.

    ``tubes``, ``depths``, ``layers`` and ``stations`` are the labels of the axes in the order
    in which they are stored, which is the order in which they were first seen.
    """

    def __init__(self, session: icechunk.Session, axis: TimeAxis) -> None:
        self._session = session
        self.axis = axis
        # Arrays as described when last asked for: asking the store costs 1 ms each.
        self._arrays: dict[str, zarr.Array] = {}
        self._absent: set[str] = set()  # asked for in vain
        self._root = zarr.open_group(session.store, mode="r" if session.read_only else "a")
        attributes: dict[str, Any] = dict(self._root.attrs)
        self.steps: int = attributes.get("steps", 0)
        self.labels: dict[str, list[Any]] = {
            name: list(attributes.get(name, []))
            for name in ("tube", "depth", "layer", "station")
        }
        self.attributes = attributes

    @property
    def commit_id(self) -> str:
        """Return the id of the state that is read, or that a new one starts from."""
        return str(self._session.snapshot_id)

    @property
    def days(self) -> int:
        """Return how many whole days the time axis covers."""
        return self.steps // self.axis.steps_per_day

    def holds(self, key: str) -> bool:
        """Tell whether the array ``group/name`` exists."""
        if key not in self._arrays and key not in self._absent:
            self._find(key)
        return key in self._arrays

    def array(self, key: str) -> zarr.Array:
        """Return the stored array ``group/name``."""
        if not self.holds(key):
            raise KeyError(key)
        return self._arrays[key]

    def _find(self, key: str) -> None:
        """Remember an array as the store describes it now, if there is one."""
        try:
            found = self._root[key]
        except KeyError:
            self._absent.add(key)
            return
        if not isinstance(found, zarr.Array):
            raise StoreError(f"store: expected an array at {key!r}, found a group")
        self._arrays[key] = found

    def read(
        self, key: str, start: int, stop: int, columns: slice = slice(None)
    ) -> np.ndarray:
        """Return steps (or days) ``start`` to ``stop`` of an array, as an array of its own.

        Parameters
        ----------
        key : str
            ``group/name``.
        start, stop : int
            Range on the first axis.
        columns : slice
            Range on the second axis (tubes, or stations).
        """
        try:
            return np.asarray(self.array(key)[start:stop, columns])
        except (ValueError, RuntimeError, icechunk.IcechunkError) as error:
            fault = told_fault(error)
            if fault is not None:
                raise type(fault)(f"store: {key!r} cannot be read: {fault}") from error
            raise StoreError(
                f"store: {key!r} cannot be read between steps {start} and {stop} ({error}); "
                f"run percolog verify, which tells what is damaged and how to mend it"
            ) from error

    def dataset(self, group: str) -> xr.Dataset:
        """Return a group as a lazily read Dataset with decoded coordinates."""
        import xarray as xr

        held = HeldStore(self._session)
        return xr.open_zarr(held, group=group, consolidated=False, chunks=None, zarr_format=3)

    def table(self, name: str) -> pa.Table | None:
        """Return a stored table, or None where there is none yet."""
        key = f"tables/{name}"
        if self.holds(key):
            with told_if_lost(self.commit_id):
                return unpacked(np.asarray(self.array(key)[:]))
        parts = [self.table(f"{name}.{part}") for part in self.parts(name)]
        return joined(parts) if parts else None

    def parts(self, name: str) -> list[str]:
        """Return the parts of a table, sorted; none where it is stored whole."""
        return list(self.attributes.get(PARTS, {}).get(name, []))

    def tables(self) -> list[str]:
        """Return the names of the stored tables, sorted; one in parts once."""
        group = self._root.get("tables")
        names = group.array_keys() if isinstance(group, zarr.Group) else ()
        return sorted({name.partition(".")[0] for name in names})


class Writer(Snapshot):
    """A state being prepared; nothing is visible to others before `commit`."""

    def __init__(self, session: icechunk.Session, axis: TimeAxis) -> None:
        super().__init__(session, axis)
        self._created: set[str] = set()  # arrays that hold nothing yet
        self._groups: dict[str, zarr.Group] = {}  # as they were when first asked for
        self._placed: set[str] = set()  # coordinates that fit the axes as they are now

    def extend(self, steps: int) -> None:
        """Lengthen the time axis of every array to ``steps``, rounded up to whole days."""
        per_day = self.axis.steps_per_day
        steps = -(-steps // per_day) * per_day
        if steps <= self.steps:
            return
        self.steps = steps
        self._root.attrs["steps"] = steps
        for spec in self._existing():
            array = self.array(spec.key)
            array.resize((self._length(spec.dims[0]), *array.shape[1:]))
        for group in GROUPS:
            self._write_clock(group)

    def widen(self, dim: str, labels: list[object]) -> None:
        """Append the labels of ``labels`` that an axis does not have yet."""
        new = [label for label in labels if label not in self.labels[dim]]
        if not new:
            return
        self.labels[dim] += new
        self._root.attrs[dim] = self.labels[dim]
        for spec in self._existing():
            if dim in spec.dims:
                array = self.array(spec.key)
                shape = list(array.shape)
                shape[spec.dims.index(dim)] = len(self.labels[dim])
                array.resize(tuple(shape))
        for group in GROUPS:
            self._write_labels(group, dim)

    def replace_layers(self, layers: list[str]) -> None:
        """Begin the layer axis anew: its arrays are dropped, to be computed again."""
        if self.labels["layer"] == layers:
            return
        for spec in list(self._existing()):
            if "layer" in spec.dims:
                del self._root[spec.key]
                self._arrays.pop(spec.key, None)
        self.labels["layer"] = list(layers)
        self._root.attrs["layer"] = self.labels["layer"]
        for group in GROUPS:
            self._write_labels(group, "layer")

    def ensure(self, key: str) -> None:
        """Create an array of the table of arrays if it is not there yet."""
        if self.holds(key):
            return
        spec = SPECS[key]
        self._arrays[key] = self._group(spec.group).create_array(
            spec.name,
            shape=tuple(self._length(dim) for dim in spec.dims),
            chunks=tuple(self._chunk(dim, spec) for dim in spec.dims),
            dtype=spec.dtype,
            fill_value=spec.fill,
            dimension_names=list(spec.dims),
            compressors=_COMPRESSORS,
        )
        self._created.add(key)
        if f"{spec.group}/{spec.dims[0]}" not in self._placed:
            self._write_clock(spec.group)
        for dim in spec.dims[1:]:
            if f"{spec.group}/{dim}" not in self._placed:
                self._write_labels(spec.group, dim)

    def write(
        self, key: str, start: int, values: np.ndarray, columns: slice = slice(None)
    ) -> None:
        """Write ``values`` from step (or day) ``start`` on, for some tubes or stations."""
        self.array(key)[start : start + len(values), columns] = values

    def replace(
        self, key: str, start: int, values: np.ndarray, columns: slice = slice(None)
    ) -> None:
        """Write as `write` does, but only what differs from what is stored, in whole chunks.

        A chunk written with the same values would be stored once more in each state.
        """
        if key in self._created:
            self.write(key, start, values, columns)
            return
        array = self.array(key)
        long, wide = array.chunks[0], array.chunks[1]
        first, last, _ = columns.indices(array.shape[1])
        across = slice(first // wide * wide, min(-(-last // wide) * wide, array.shape[1]))
        inside = slice(first - across.start, last - across.start)
        begin, stop = start // long * long, start + len(values)
        cells = np.asarray(array[begin : min(-(-stop // long) * long, array.shape[0]), across])
        held = cells[start - begin : stop - begin, inside]
        differs = held.view(f"u{held.itemsize}") != values.view(f"u{held.itemsize}")
        rows = np.flatnonzero(differs.any(axis=tuple(range(1, differs.ndim))))
        held[...] = values
        chunks = np.zeros(-(-len(cells) // long), dtype=bool)
        chunks[(rows + start - begin) // long] = True
        for first, end in runs(chunks, 1):
            part = cells[first * long : end * long]
            array[begin + first * long : begin + first * long + len(part), across] = part

    def put_table(self, name: str, table: pa.Table) -> None:
        """Replace a stored table."""
        data = packed(table)
        self._arrays[f"tables/{name}"] = self._group("tables").create_array(
            name,
            data=data,
            chunks=(max(1, len(data)),),
            compressors=(_CHECKSUM,),
            overwrite=True,
        )

    def drop_chunk(self, key: str, index: tuple[int, ...]) -> None:
        """Empty one chunk of an array, by its place in the grid of chunks, unread."""
        sync(self._session.store.delete("/".join((key, "c", *map(str, index)))))

    def drop_table(self, name: str) -> None:
        """Remove a stored table, with all its parts."""
        for stored in [f"{name}.{part}" for part in self.parts(name)] or [name]:
            del self._root[f"tables/{stored}"]
            self._arrays.pop(f"tables/{stored}", None)
        if self.parts(name):
            self.set_attributes({PARTS: self.attributes[PARTS] | {name: []}})

    def restore_coordinates(self) -> None:
        """Write every coordinate anew from the axis and the labels, whatever is there."""
        for group in GROUPS:
            if group not in self._root:
                continue
            for name in {dim for spec in self._existing() for dim in spec.dims}:
                if name in self._group(group):
                    del self._root[f"{group}/{name}"]
                    self._arrays.pop(f"{group}/{name}", None)
            self._write_clock(group)
            dims = {d for spec in self._existing() if spec.group == group for d in spec.dims}
            for dim in sorted(dims - {TIME, DAY}):
                self._write_labels(group, dim)

    def set_attributes(self, values: Mapping[str, Any]) -> None:
        """Set attributes of the whole store."""
        self._root.attrs.update(values)
        self.attributes.update(values)

    def changed(self) -> bool:
        """Tell whether there is anything to commit."""
        return bool(self._session.has_uncommitted_changes)

    def commit(self, message: str, metadata: dict[str, object]) -> str:
        """Make the prepared state the newest one, on disk, and return its id.

        The library renames finished files into place but does not ask the disk to keep them;
        a night that reports itself stored must survive a power cut, hence the sync.
        """
        try:
            commit = self._session.commit(message, metadata=metadata)
        except icechunk.ConflictError as error:
            raise LockedError(
                "store: another writer committed meanwhile; run the night again"
            ) from error
        os.sync()
        return str(commit)

    def _group(self, name: str) -> zarr.Group:
        """Return a group, made if it is not there yet; asking the store costs 1 ms each."""
        if name not in self._groups:
            self._groups[name] = self._root.require_group(name)
        return self._groups[name]

    def _existing(self) -> Iterator[ArraySpec]:
        return (spec for spec in SPECS.values() if self.holds(spec.key))

    def _length(self, dim: str) -> int:
        if dim == TIME:
            return self.steps
        return self.days if dim == DAY else len(self.labels[dim])

    def _chunk(self, dim: str, spec: ArraySpec) -> int:
        if dim == TIME:
            return CHUNK_DAYS * self.axis.steps_per_day
        if dim == DAY:
            return CHUNK_DAYS_DAILY
        if dim == "tube":
            return CHUNK_TUBES
        return max(1, len(self.labels[dim]))

    def _write_clock(self, group: str) -> None:
        """Write the time or day coordinate of a group as seconds since 1970."""
        if group not in self._root:
            return
        dim = DAY if group == "daily" else TIME
        seconds = self.axis.seconds(0, self.steps)
        self._coordinate(
            group,
            dim,
            seconds[:: self.axis.steps_per_day] if dim == DAY else seconds,
            {
                "units": "seconds since 1970-01-01 00:00:00",
                "calendar": "standard",
                "standard_name": "time",
            },
        )

    def _write_labels(self, group: str, dim: str) -> None:
        if group not in self._root:
            return
        labels = self.labels[dim]
        if dim == "depth":
            attributes = {"units": "m", "standard_name": "depth", "positive": "down"}
            self._coordinate(group, dim, np.asarray(labels, dtype=np.float64), attributes)
        elif labels:
            self._coordinate(group, dim, np.asarray(labels, dtype=object), {})

    def _coordinate(
        self, group: str, dim: str, values: np.ndarray, attributes: dict[str, Any]
    ) -> None:
        """Write a coordinate, only the part beyond what is there already."""
        key = f"{group}/{dim}"
        if not self.holds(key):
            array = self._arrays[key] = self._group(group).create_array(
                dim,
                shape=values.shape,
                chunks=(_COORDINATE_CHUNK,),
                dtype=str if values.dtype == object else values.dtype,
                dimension_names=[dim],
                attributes=attributes,
                compressors=_COMPRESSORS,
            )
            have = 0
        else:
            array = self.array(key)
            have = array.shape[0] if dim != "layer" else 0
            array.resize(values.shape)
        if len(values) > have:
            array[have:] = values[have:]
        self._placed.add(key)
