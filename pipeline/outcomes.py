"""How a run ended: outcomes, exit codes, failures, and where a run leaves its traces."""

from __future__ import annotations

import os
import tempfile
import traceback
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import PercologError, SiteError
from pipeline.own_folder import state_folder

# From the best to the worst; of several sites the worst counts. A mistake in a description
# ranks below a failure because the person who made it can mend it.
SEVERITY = ("done", "attention", "wrong", "failed")
EXIT_CODES = {"done": 0, "failed": 1, "wrong": 2, "attention": 3}


def worst(outcomes: Iterable[str]) -> str:
    """Return the worst of several outcomes; of none, ``done``."""
    return max(outcomes, key=SEVERITY.index, default="done")


def describe_failure(part: str, error: BaseException) -> dict[str, Any]:
    """Return a JSON-ready account of an error.

    Parameters
    ----------
    part : str
        What was being done: ``store``, ``deliver``, ``draw``, ``close``, ``check``.
    error : BaseException
        An error of ours speaks for itself. Any other is a surprise: its traceback is kept in
        a file, whose path the account names.

    Returns
    -------
    dict
        ``part``, ``kind``, ``error``, and ``problems`` or ``traceback`` where there are any.
    """
    account: dict[str, Any] = {"part": part, "kind": type(error).__name__, "error": str(error)}
    if isinstance(error, SiteError):
        account["problems"] = [problem.as_dict() for problem in error.problems]
    elif not isinstance(error, PercologError):
        account["error"] = f"{type(error).__name__}: {error}"
        account["traceback"] = str(keep_traceback(error))
    return account


def keep_traceback(error: BaseException) -> Path:
    """Write an error's traceback to a new file in the state folder and return its path."""
    text = "".join(traceback.format_exception(error))
    name = f"{datetime.now(UTC):%Y%m%dT%H%M%S}-"
    folder = state_folder() / "tracebacks"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, path = tempfile.mkstemp(prefix=name, suffix=".txt", dir=folder)
    except OSError:  # no room or no right there; the trace must still be found
        handle, path = tempfile.mkstemp(prefix=f"percolog-{name}", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
        file.write(text)
    return Path(path)


def outcome_of(failures: list[dict[str, Any]], otherwise: str = "done") -> str:
    """Return ``wrong`` if the description alone is at fault, ``failed`` for other failures."""
    if not failures:
        return otherwise
    return "wrong" if all("problems" in failure for failure in failures) else "failed"
