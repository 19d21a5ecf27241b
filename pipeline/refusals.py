"""What it means that the file system refuses something, in a line that a person can act on."""

from __future__ import annotations

import errno

FULL = "the disk is full; free some room"
QUOTA = "the quota of the disk is used up; free some room"
READ_ONLY = "the folder can only be read; mount it for writing"
_NO_RIGHT = "no right to read or write there; give it to the user who runs percolog"
_NO_FOLDER = "a file lies where a folder is needed; give another name, or move it away"
_MEANINGS = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: QUOTA,
    errno.EROFS: READ_ONLY,
    errno.EACCES: _NO_RIGHT,
    errno.EPERM: _NO_RIGHT,
    errno.EISDIR: "a folder lies where a file is needed; give the name of a file",
    errno.ENOTDIR: _NO_FOLDER,
    errno.EEXIST: _NO_FOLDER,
    errno.EFBIG: "larger than a file may be here; raise the limit (ulimit -f), or free room",
    errno.EIO: "the disk fails to read or write; look at it, then run percolog verify",
}


def meaning(error: BaseException) -> str | None:
    """Return what refused and what to do; None for what is no refusal of the file system."""
    return _MEANINGS.get(error.errno or 0) if isinstance(error, OSError) else None


def told(error: BaseException) -> str | None:
    """Return a refusal with the file or folder it is about; None where that is not known."""
    means = meaning(error)
    if means is None or not isinstance(error, OSError) or error.filename is None:
        return None
    # A file is written under another name first: a person knows the one it was to have.
    return f"{error.filename2 or error.filename}: {means}"


def lasting(error: BaseException) -> bool:
    """Tell whether another attempt a minute later would be refused for the same reason."""
    return meaning(error) is not None and getattr(error, "errno", None) != errno.EIO
