"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.refusals import meaning

# Not ".nc": a reader that lists the folder must not find a file that is still being written.
_SUFFIX = ".part"
_OWNED = re.compile(r"\..+\.([0-9]+)-[^.]*\.part")
_A_DAY_S = 86_400.0
_PROBE_BYTES = 1 << 20


@contextmanager
def replacing(path: Path, mode: int = 0o644) -> Iterator[Path]:
    """Give a temporary path to write to; put it in place of ``path`` when the block ends well.

    The file and its folder are flushed to the disk, so that after a power failure there is the
    old file or the new one. If the block raises, the temporary file is removed and ``path`` is
    as it was. Who has the old file open keeps reading the old one.

    Parameters
    ----------
    path : Path
        The file to make or replace; its folder is made if need be.
    mode : int
        Permissions of the finished file.

    Yields
    ------
    Path
        An empty file in the same folder.

    Raises
    ------
    OSError
        Where the file system refuses, with ``path`` as the file it is about.
    """
    temporary = _begun(path)
    try:
        with _refusals_named(path, temporary):
            yield temporary
            _flush(temporary)
            temporary.chmod(mode)
            temporary.replace(path)
    except BaseException:  # also an interrupt must leave no half-written file
        temporary.unlink(missing_ok=True)
        raise
    if os.name == "posix":  # elsewhere a folder cannot be flushed
        _flush(path.parent)


def _begun(path: Path) -> Path:
    """Make the temporary file, and its folder if need be."""
    prefix = f".{path.name}.{os.getpid()}-"
    with _refusals_named(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=prefix, suffix=_SUFFIX)
    os.close(handle)
    return Path(name)


@contextmanager
def _refusals_named(path: Path, temporary: Path | None = None) -> Iterator[None]:
    """Say of what the file system refuses which file it is about, by its proper name."""
    try:
        yield
    except OSError as error:
        other = error.filename not in (None, str(temporary)) and temporary is not None
        if other or meaning(error) is None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error
    except RuntimeError as error:  # the NetCDF library does not tell what refused it
        refused = _refused(temporary) if temporary is not None else None
        if refused is None:
            raise
        raise OSError(refused.errno, refused.strerror, str(path)) from error


def _refused(file: Path) -> OSError | None:
    """Return what the file system says to more bytes in a file; None if it takes them."""
    try:
        with file.open("ab") as more:
            more.write(bytes(_PROBE_BYTES))
            more.flush()
            os.fsync(more.fileno())
    except OSError as error:
        return error
    return None


def sweep(folder: Path) -> list[Path]:
    """Remove what writers that were killed left half written; return it.

    A temporary file names the process it belongs to. It goes once there is no such process
    on this machine, and after a day in any case: the number may have been given away again,
    or the process may have been another machine's.
    """
    removed = []
    for path in folder.rglob(f".*{_SUFFIX}"):
        owned = _OWNED.fullmatch(path.name)
        if owned is None:
            continue
        try:
            young = time.time() - path.stat().st_mtime < _A_DAY_S
            if young and _is_alive(int(owned[1])):
                continue
            path.unlink()
        except FileNotFoundError:
            continue
        removed.append(path)
    return removed


def _is_alive(pid: int) -> bool:
    if os.name != "posix":  # asking would end the process
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _flush(path: Path) -> None:
    """Wait until a file or a folder is on the disk."""
    flags = os.O_RDONLY if path.is_dir() else os.O_RDWR
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
