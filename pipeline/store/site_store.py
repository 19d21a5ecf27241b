"""The site's transactional store: one repository, one atomic commit a night.

Arrays live in the groups of `pipeline.store.cubes`, tables (the ledger and its like) beside
them as Arrow bytes, so that readings, water, products and the account of the files are always
of one commit. Readers open any commit read-only and need no lock. Writers hold one exclusive
lock from opening to commit, because the library does not protect two processes writing to one
folder from each other. An object store does: there the lock, which holds on one machine, only
spares a second run its work, and of two machines the later commit is refused.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypedDict, cast

from zarr.errors import GroupNotFoundError

from pipeline.axis import TimeAxis, iso_utc
from pipeline.errors import LostStoreError, OtherStoreError, Problem, StoreError
from pipeline.locks import held
from pipeline.store.faults import cause
from pipeline.store.object_store import object_place, told_fault
from pipeline.store.state import Snapshot, Writer, icechunk
from pipeline.store.sums import StoreSums
from pipeline.store.sweep import sweep

STORE_FORMAT = 2  # since 2 a large table is kept in parts
# The table of states that were thinned out.
THINNED = "thinned"
_BRANCH = "main"
_MARK = "kept-"
_ATTEMPTS = 20
# How often a request to an object store is made, and how long it may say nothing meanwhile.
_TRIES = 4
_SILENT_S = 20


class State(TypedDict):
    """A state of a store, as it was committed."""

    commit: str
    written: str  # instant, ISO 8601, with its offset, microseconds
    message: str
    metadata: dict[str, Any]  # what was noted of it, see `pipeline.nights.prepared`


class SiteStore:
    """The repository of one site.

    Parameters
    ----------
    address : str
        A local folder, or ``s3://bucket/prefix`` for an object store whose endpoint and
        credentials come from the environment.
    axis : TimeAxis
        The site's time axis. Its origin is fixed when the store is made.
    site : str
        The site's id, checked at each opening so that two sites never share a store.
    """

    def __init__(self, address: str, axis: TimeAxis, site: str) -> None:
        self.address, self.axis, self.site = address, axis, site
        self._repository: icechunk.Repository | None = None

    @property
    def is_local(self) -> bool:
        """Tell whether the store is a folder on this machine."""
        return "://" not in self.address

    def exists(self) -> bool:
        """Tell whether the store has been made; asking makes no folder."""
        if self.is_local and not Path(self.address).is_dir():
            return False
        if self._repository is not None:
            return True
        with self._explained():
            return bool(icechunk.Repository.exists(self._storage()))

    def read(self, commit: str | None = None) -> Snapshot:
        """Open the newest state, or an earlier one by its commit id, read-only.

        Raises
        ------
        StoreError
            If there is no store yet, or no such commit.
        """
        if not self.exists():
            raise OtherStoreError(
                f"{self.address}: expected a store, found none; run percolog night"
            )
        repository = self._open()
        try:
            session = (
                repository.readonly_session(snapshot_id=commit)
                if commit
                else repository.readonly_session(_BRANCH)
            )
        except (icechunk.IcechunkError, ValueError) as error:
            fault = self._fault(error)
            if fault is not None:
                raise fault from error
            raise StoreError(f"{self.address}: {self._no_state(commit, error)}") from error
        try:
            snapshot = Snapshot(session, self.axis)
        except GroupNotFoundError as error:
            raise OtherStoreError(
                f"{self.address}: nothing is stored yet: the first night did not come to its "
                f"end; run percolog night"
            ) from error
        self._check(snapshot.attributes)
        return snapshot

    @contextmanager
    def write(self, wait_s: float = 60.0) -> Iterator[Writer]:
        """Hold the lock and prepare a new state; leaving without `commit` leaves no trace.

        Raises
        ------
        LockedError
            If another process holds the lock for longer than ``wait_s`` seconds.
        """
        told = f"{self.address}: another run is writing to this store"
        with self._told(), held(self._lock_path(), told, wait_s), self._kept_whole():
            session = self._open().writable_session(_BRANCH)
            writer = Writer(session, self.axis)
            if writer.attributes:
                self._check(writer.attributes)
                if writer.attributes["store_format"] < STORE_FORMAT:
                    writer.set_attributes({"store_format": STORE_FORMAT})
            else:
                writer.set_attributes(
                    {
                        "store_format": STORE_FORMAT,
                        "site": self.site,
                        "origin_s": self.axis.origin_s,
                        "interval_s": self.axis.interval_s,
                    }
                )
            yield writer

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Tell what the file system refuses in a line, and that nothing is lost by it."""
        try:
            yield
        except LostStoreError:
            raise
        except (icechunk.IcechunkError, OSError) as error:
            fault = self._fault(error)
            if fault is not None:
                raise fault from error
            raise StoreError(
                f"{self.address}: the store cannot be written: {cause(error)}. The state "
                f"before is kept; run the night again once that is mended"
            ) from error

    @contextmanager
    def _kept_whole(self) -> Iterator[None]:
        """Tidy up after a killed writer before, and note checksums after a write."""
        if not self.is_local:  # an object store keeps checksums of its own, and no leftovers
            yield
            return
        folder = Path(self.address)
        sums = StoreSums(folder)
        mark = folder.with_name(f"{folder.name}.unfinished")
        if not self.exists():
            self._open()
            sums.forget()  # of a store that lay here before and was moved away
        if mark.exists():
            sweep(folder)
            sums.update()  # the killed writer may have committed
        mark.touch()
        yield
        sums.update()
        mark.unlink()

    def written_at(self, commit: str) -> datetime:
        """Return the instant (UTC) at which a state was committed."""
        written: datetime = self._open().lookup_snapshot(commit).written_at
        return written

    def metadata(self, commit: str) -> dict[str, Any]:
        """Return what a night noted of itself with its state."""
        return dict(self._open().lookup_snapshot(commit).metadata)

    def history(self) -> list[State]:
        """Return the kept states, newest first."""
        if not self.exists():
            return []
        repository = self._open()
        found = {info.id: info for info in repository.ancestry(branch=_BRANCH)}
        for commit in self._marks().values():
            found.setdefault(commit, repository.lookup_snapshot(commit))
        states = sorted(found.values(), key=lambda info: info.written_at, reverse=True)
        return [
            {
                "commit": info.id,
                "written": info.written_at.isoformat(timespec="microseconds"),
                "message": info.message,
                "metadata": dict(info.metadata),
            }
            for info in states
            if info.parent_id is not None  # not the empty beginning
        ]

    def thinned(self) -> list[State]:
        """Return the states that were thinned out, newest first, as in `history`."""
        table = self.read().table(THINNED)
        rows = [] if table is None else table.to_pylist()
        return [cast(State, {**row, "metadata": json.loads(row["metadata"])}) for row in rows]

    def states(self) -> set[str]:
        """Return the ids of all states that there ever were, kept or thinned out."""
        repository = self._open()
        marks = (name for name in repository.list_tags() if name.startswith(_MARK))
        return {
            *(info.id for info in repository.ancestry(branch=_BRANCH)),
            *(mark.removeprefix(_MARK).rpartition("-")[0] for mark in marks),
            *(row["commit"] for row in self.thinned()),
        }

    def keep(self, commits: set[str]) -> None:
        """Mark states that are to outlive the shortening of the history."""
        repository, marked = self._open(), self._marks()
        for commit in sorted(commits - set(marked.values())):
            for attempt in range(_ATTEMPTS):  # the name of a mark once removed stays taken
                try:
                    repository.create_tag(f"{_MARK}{commit}-{attempt}", commit)
                    break
                except icechunk.IcechunkError:
                    if attempt == _ATTEMPTS - 1:
                        raise

    def drop(self, older_than: datetime, keep: set[str]) -> None:
        """Forget states before an instant but for those to keep, and free their space.

        Marks of later states stay: the line of states may have been cut after them.
        The lock must be held (`write`, without a commit under way). What was written and never
        committed is cleared away too. A stop at any instant leaves a sound store, and the same
        call takes up where it was stopped.
        """
        repository = self._open()
        self.keep(keep)
        os.sync()
        for mark, commit in self._marks().items():
            if commit not in keep and self.written_at(commit) < older_than:
                repository.delete_tag(mark)
        if self.is_local:
            StoreSums(Path(self.address)).release()
        repository.expire_snapshots(older_than=older_than)
        os.sync()  # the shortened history must be on the disk before what it left out goes
        self.clear()
        if self.is_local:
            StoreSums(Path(self.address)).tidy()

    def clear(self) -> None:
        """Remove what no state holds: leftovers of runs that were stopped or looked ahead.

        The lock must be held, so that nothing is being written. On an object store another
        machine may be writing all the same; there only what is older than a day is removed.
        """
        margin = timedelta(0) if self.is_local else timedelta(days=1)
        self._open().garbage_collect(datetime.now(UTC) - margin)
        if self.is_local:
            sweep(Path(self.address))  # writes stopped half way

    def _marks(self) -> dict[str, str]:
        """Return the marks of kept states and what each stands for."""
        repository = self._open()
        names = sorted(name for name in repository.list_tags() if name.startswith(_MARK))
        return {name: repository.lookup_tag(name) for name in names}

    def _no_state(self, commit: str | None, error: Exception) -> str:
        """Return why a state cannot be opened: it never was, or it was thinned out."""
        gone = [row for row in self.thinned() if row["commit"] == commit] if commit else []
        if not gone:
            return f"no state {commit!r} ({error})"
        kept = [row for row in self.history() if row["written"] > gone[0]["written"]]
        after = f"; the next one kept is {kept[-1]['commit']}" if kept else ""
        return (
            f"state {commit!r} (night {gone[0]['metadata'].get('night', '?')}, "
            f"{gone[0]['written']}) was thinned out by the site's [keep] policy{after}"
        )

    def _open(self) -> icechunk.Repository:
        if self._repository is None:
            if self.is_local:
                Path(self.address).mkdir(parents=True, exist_ok=True)
            with self._explained():
                self._repository = icechunk.Repository.open_or_create(
                    self._storage(), None if self.is_local else _few_attempts()
                )
        return self._repository

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """Tell in a line why a store cannot be opened."""
        try:
            yield
        except icechunk.IcechunkError as error:
            told = (
                f"{self.address}: cannot open the store: {cause(error)}. Take it from a "
                f"backup with its .sums; or move both away, into safe keeping, and the next "
                f"night makes all anew from the raw files"
            )
            raise self._fault(error) or StoreError(told) from error

    def _fault(self, error: Exception) -> StoreError | None:
        """Return what an object store's refusal means; None if it is not one."""
        fault = None if self.is_local else told_fault(error)
        return fault and type(fault)(
            f"{self.address}: {fault}. Nothing was lost; run the night again once that is "
            f"mended"
        )

    def _storage(self) -> icechunk.Storage:
        if self.is_local:
            return icechunk.local_filesystem_storage(self.address)
        place = object_place(self.address)
        place.require_answer()
        own = place.endpoint is not None
        return icechunk.s3_storage(
            bucket=place.bucket,
            prefix=place.prefix,
            region=place.region,
            endpoint_url=place.endpoint,
            allow_http=own and str(place.endpoint).startswith("http://"),
            force_path_style=own,  # a store of one's own rarely has a name for each bucket
            from_env=True,
            network_stream_timeout_seconds=_SILENT_S,
        )

    def _lock_path(self) -> Path:
        if not self.is_local:
            return object_place(self.address).lock_path()
        path = Path(self.address)
        return path.with_name(f"{path.name}.lock")

    def _check(self, attributes: dict[str, Any]) -> None:
        form = attributes.get("store_format")
        if not isinstance(form, int) or form > STORE_FORMAT:
            raise OtherStoreError(
                f"{self.address}: expected a store of format {STORE_FORMAT} or older, found "
                f"{form!r}, which a newer percolog has written; install that one again. "
                f"Nothing was changed"
            )
        for key, value, stored in (
            ("id", repr(self.site), repr(attributes.get("site"))),
            ("start", *_instants(self.axis.origin_s, attributes.get("origin_s"))),
            ("interval", *_minutes(self.axis.interval_s, attributes.get("interval_s"))),
        ):
            if value != stored:
                advice = (
                    "A site's id, start, utc_offset and interval are fixed by its first "
                    "night: write them as they were, or give the changed site another store."
                )
                expected = f"{stored}, as in the store"
                problem = Problem("site.toml", f"key site.{key}", value, expected, advice)
                raise OtherStoreError(f"{self.address}: {problem}", problem)


def _instants(*seconds: Any) -> tuple[str, ...]:
    return tuple(iso_utc(at) if isinstance(at, int) else repr(at) for at in seconds)


def _minutes(*seconds: Any) -> tuple[str, ...]:
    return tuple(
        f"{length / 60:g} min" if isinstance(length, int) else repr(length)
        for length in seconds
    )


def _few_attempts() -> icechunk.RepositoryConfig:
    """Return settings by which a lost object store is told of soon, not after minutes."""
    config = icechunk.RepositoryConfig.default()
    config.storage = icechunk.StorageSettings(
        retries=icechunk.StorageRetriesSettings(
            max_tries=_TRIES, initial_backoff_ms=200, max_backoff_ms=2000
        )
    )
    return config
