"""One writer at a time: locks that go with the process which holds them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.errors import LockedError

# So long one run waits for another.
WAIT_S = 60.0


@contextmanager
def held(path: Path, told: str, wait_s: float | None = None) -> Iterator[None]:
    """Hold a lock file, which stays; its folder is made if need be.

    Parameters
    ----------
    path : Path
    told : str
        What another run is doing that holds the lock, and where.
    wait_s : float, [s], optional
        How long to wait for it; a minute if left out.

    Raises
    ------
    LockedError
        If it holds the lock for longer.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    wait_s = WAIT_S if wait_s is None else wait_s
    lock = FileLock(path)
    try:
        lock.acquire(timeout=wait_s)
    except Timeout:
        raise LockedError(
            f"{told} (waited {wait_s:.0f} s); let it finish, then try again"
        ) from None
    try:
        yield
    finally:
        lock.release()
