"""Why a store cannot be written, in a line that a person can act on."""

from __future__ import annotations

import re

from pipeline.refusals import FULL, QUOTA, READ_ONLY, told

# What the store's library says, in the words of the system, and what that means here.
_CAUSES = {
    "No space left": FULL,
    "Disk quota": QUOTA,
    "Read-only file system": READ_ONLY,
    "Permission denied": "no right to write there; give it to the user who runs the night",
}
# What it says of two instants; its lines are broken anywhere, and each begins with a bar.
_ORDER = re.compile(r"timestamp ordering\. parent: `([^`]*)`, child: `([^`]*)`")
_MISSING = re.compile(r"Object at location (\S+) not found")
_APART = re.compile(r"local clock: `([^`]*)`, object store clock: `([^`]*)`")


def cause(error: BaseException) -> str:
    """Return what refused a write, and what to do.

    Parameters
    ----------
    error : BaseException
        Of the file system or of the store's library.
    """
    if refused := told(error):
        return refused
    if isinstance(error, OSError) and error.strerror:
        return f"{error.strerror} ({error.filename})" if error.filename else error.strerror
    text = str(error)
    for words, means in _CAUSES.items():
        if words in text:
            return means
    flat = " ".join(text.replace("|", " ").split())
    if missing := _MISSING.search(flat):
        return (
            f"a file of the store is missing ({missing[1]}); percolog verify tells what it "
            f"held and what can be made anew. If the store was copied, copy it whole, while "
            f"no night runs"
        )
    told_of_clocks = _of_clocks(flat)
    lines = [line.strip(" x|") for line in text.splitlines() if line.strip(" x|")]
    line = lines[0] if lines else type(error).__name__
    return told_of_clocks or f"{line} (if it stays so, percolog verify tells what is damaged)"


def lost_state(error: BaseException, commit: str) -> str:
    """Return why a state that was open can no longer be read, and what to do.

    Parameters
    ----------
    error : BaseException
        Of the store's library.
    commit : str
        The state.
    """
    missing = _MISSING.search(" ".join(str(error).replace("|", " ").split()))
    if missing is None:
        return f"store: state {commit} cannot be read: {cause(error)}"
    return (
        f"store: state {commit} can no longer be read, a file of it is gone ({missing[1]}): "
        f"it was thinned out, or the store was moved away or made anew, since it was opened. "
        f"Open the site again; if that does not help, percolog verify tells what is damaged"
    )


def _of_clocks(text: str) -> str | None:
    if found := _ORDER.search(text):
        before, now = (_short(instant) for instant in found.groups())
        return (
            f"this machine's clock stands before the last night ({now}; that was stored "
            f"{before}); set it right. If it is right, and was ahead in that night, move the "
            f"store and its .sums away, into safe keeping, and the next night makes all anew "
            f"from the raw files; or take both from a backup of the time before"
        )
    if found := _APART.search(text):
        ours, theirs = (_short(instant) for instant in found.groups())
        return (
            f"this machine's clock ({ours}) and that of the disk or server which holds the "
            f"store ({theirs}) are too far apart; set both right"
        )
    return None


def _short(instant: str) -> str:
    """Return an instant without its fractions of a second."""
    return re.sub(r"\.\d+", "", instant)
