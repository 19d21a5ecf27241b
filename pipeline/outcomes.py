"""How a run ended: outcomes, exit codes, failures, and where a run leaves its traces."""

from __future__ import annotations

import os
import tempfile
import traceback
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NotRequired, TypedDict

from pipeline.errors import PercologError, ProblemRow, SiteError
from pipeline.own_folder import state_folder
from pipeline.refusals import told

# From the best to the worst; of several sites the worst counts. A mistake in a description
# ranks below a failure because the person who made it can mend it.
SEVERITY = ("done", "attention", "wrong", "failed")
EXIT_CODES = {"done": 0, "failed": 1, "wrong": 2, "attention": 3}


class Failure(TypedDict):
    """What kept a part from being done."""

    part: str  # what was being done
    kind: str  # of error; may be empty
    error: str
    problems: NotRequired[list[ProblemRow]]  # mistakes of a description
    traceback: NotRequired[str]  # file, of unforeseen errors only


def worst(outcomes: Iterable[str]) -> str:
    """Return the worst of several outcomes; of none, ``done``."""
    return max(outcomes, key=SEVERITY.index, default="done")


def describe_failure(part: str, error: BaseException) -> Failure:
    """Return a JSON-ready account of an error.

    Parameters
    ----------
    part : str
        What was being done: ``store``, ``deliver``, ``draw``, ``close``, ``check``.
    error : BaseException
        An error of ours speaks for itself, and so does a file that cannot be read or written
        (see `pipeline.refusals`). Any other is a surprise: its traceback is kept in a file,
        whose path the account names; left out if no folder has room for it.
    """
    account: Failure = {"part": part, "kind": type(error).__name__, "error": str(error)}
    if isinstance(error, SiteError):
        account["problems"] = [problem.as_dict() for problem in error.problems]
    elif refused := told(error):
        account["error"] = refused
    elif not isinstance(error, PercologError):
        account["error"] = f"{type(error).__name__}: {error}"
        kept = keep_traceback(error)
        if kept:
            account["traceback"] = str(kept)
    return account


def tried(part: str, work: Callable[[], object]) -> list[Failure]:
    """Do what the numbers of a command do not need; return why it failed, or nothing."""
    try:
        work()
    except Exception as error:  # whatever it is, what was found is told
        return [describe_failure(part, error)]
    return []


def keep_traceback(error: BaseException) -> Path | None:
    """Write an error's traceback to a new file in the state folder and return its path.

    Where there is no room or no right it goes to the folder for temporary files. None if
    there is none either: what is told of the error must not be lost with its traceback.
    """
    text = "".join(traceback.format_exception(error))
    name = f"{datetime.now(UTC):%Y%m%dT%H%M%S}-"
    try:
        folder = state_folder() / "tracebacks"
        folder.mkdir(parents=True, exist_ok=True)
        return _write_new(folder, name, text)
    except OSError:
        pass
    try:
        return _write_new(None, f"percolog-{name}", text)
    except OSError:
        return None


def _write_new(folder: Path | None, prefix: str, text: str) -> Path:
    handle, path = tempfile.mkstemp(prefix=prefix, suffix=".txt", dir=folder)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
    except OSError:
        os.unlink(path)
        raise
    return Path(path)


def outcome_of(failures: Sequence[Failure], otherwise: str = "done") -> str:
    """Return ``wrong`` if the description alone is at fault, ``failed`` for other failures."""
    if not failures:
        return otherwise
    return "wrong" if all("problems" in failure for failure in failures) else "failed"
