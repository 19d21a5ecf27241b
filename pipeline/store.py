"""The site's transactional store: one repository, one atomic commit a night.

Arrays live in the groups of `pipeline.cubes`, tables (the ledger and its like) beside them as
Arrow bytes, so that readings, water, products and the account of the files are always of one
commit. Readers open any commit read-only and need no lock. Writers hold one exclusive lock on
the local store from opening to commit, because the library does not protect two processes
writing to one folder from each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from filelock import FileLock, Timeout

from pipeline.axis import TimeAxis
from pipeline.errors import LockedError, StoreError
from pipeline.state import Snapshot, Writer, icechunk
from pipeline.store_sums import StoreSums
from pipeline.store_sweep import sweep

STORE_FORMAT = 1
_BRANCH = "main"


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
        return bool(icechunk.Repository.exists(self._storage()))

    def read(self, commit: str | None = None) -> Snapshot:
        """Open the newest state, or an earlier one by its commit id, read-only.

        Raises
        ------
        StoreError
            If there is no store yet, or no such commit.
        """
        if not self.exists():
            raise StoreError(
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
            raise StoreError(f"{self.address}: no state {commit!r} ({error})") from error
        snapshot = Snapshot(session, self.axis)
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
        with self._told(), self._lock(wait_s), self._kept_whole():
            session = self._open().writable_session(_BRANCH)
            writer = Writer(session, self.axis)
            if writer.attributes:
                self._check(writer.attributes)
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
        except (icechunk.IcechunkError, OSError) as error:
            raise StoreError(
                f"{self.address}: the store cannot be written: {_cause(error)}. The state "
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

    def history(self) -> list[dict[str, Any]]:
        """Return the nights of the store, newest first: commit, time, message, metadata."""
        if not self.exists():
            return []
        nights = []
        for info in self._open().ancestry(branch=_BRANCH):
            written: datetime = info.written_at
            if info.parent_id is None:
                continue
            nights.append(
                {
                    "commit": info.id,
                    "written": written.isoformat(timespec="seconds"),
                    "message": info.message,
                    "metadata": dict(info.metadata),
                }
            )
        return nights

    def _open(self) -> icechunk.Repository:
        if self._repository is None:
            if self.is_local:
                Path(self.address).mkdir(parents=True, exist_ok=True)
            try:
                self._repository = icechunk.Repository.open_or_create(self._storage())
            except icechunk.IcechunkError as error:
                raise StoreError(f"{self.address}: cannot open the store ({error})") from error
        return self._repository

    def _storage(self) -> icechunk.Storage:
        if self.is_local:
            return icechunk.local_filesystem_storage(self.address)
        parts = urlsplit(self.address)
        return icechunk.s3_storage(
            bucket=parts.netloc, prefix=parts.path.strip("/"), from_env=True
        )

    @contextmanager
    def _lock(self, wait_s: float) -> Iterator[None]:
        if not self.is_local:  # an object store refuses a stale commit by itself
            yield
            return
        path = Path(self.address)
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(path.with_name(f"{path.name}.lock"))
        try:
            lock.acquire(timeout=wait_s)
        except Timeout:
            raise LockedError(
                f"{self.address}: another run is writing to this store "
                f"(waited {wait_s:.0f} s); let it finish, then try again"
            ) from None
        try:
            yield
        finally:
            lock.release()

    def _check(self, attributes: dict[str, Any]) -> None:
        expected = {
            "store_format": STORE_FORMAT,
            "site": self.site,
            "origin_s": self.axis.origin_s,
            "interval_s": self.axis.interval_s,
        }
        form = attributes.get("store_format")
        if isinstance(form, int) and form > STORE_FORMAT:
            raise StoreError(
                f"{self.address}: expected a store of format {STORE_FORMAT} or older, found "
                f"{form}, which a newer percolog has written; install that one again. Nothing "
                f"was changed"
            )
        for name, value in expected.items():
            found = attributes.get(name)
            if found != value:
                raise StoreError(
                    f"{self.address}: expected {name} {value!r}, found {found!r}; a site's "
                    f"start, step and id are fixed by its first night. Give the changed site "
                    f"another store"
                )


def _cause(error: BaseException) -> str:
    """Return the one line of an error that a person can act on."""
    if isinstance(error, OSError) and error.strerror:
        return f"{error.strerror} ({error.filename})" if error.filename else error.strerror
    text = str(error)
    for told, means in _CAUSES.items():
        if told in text:
            return means
    lines = [line.strip(" x|") for line in text.splitlines() if line.strip(" x|")]
    return lines[0] if lines else type(error).__name__


# What the store's library says, in the words of the system, and what that means here.
_CAUSES = {
    "No space left": "the disk is full; free some room",
    "Disk quota": "the quota of the disk is used up; free some room",
    "Read-only file system": "the folder can only be read; mount it for writing",
    "Permission denied": "no right to write there; give it to the user who runs the night",
    "timestamp": "this machine's clock stands before the last night; set it right",
}
