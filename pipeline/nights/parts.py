"""The four parts of one site's night, as the command and the flow run them.

Each part says when it begins and ends. One that fails does not stop those that do not need
it: its error is handed to ``close`` in place of its result. The work is in
`pipeline.nights.night`.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Literal, ParamSpec, TypedDict, TypeVar

from pipeline.nights import night as work
from pipeline.nights.documents import DeliveredNight, DrawnNight, NightAccount, StoredNight
from pipeline.outcomes import describe_failure, outcome_of
from pipeline.store.object_store import while_answering

logger = logging.getLogger(__name__)
P = ParamSpec("P")
R = TypeVar("R")


class Results(TypedDict, total=False):
    """What each part of a night returned, or the error that ended it."""

    store: StoredNight | BaseException
    deliver: DeliveredNight | BaseException
    draw: DrawnNight | BaseException
    close: NightAccount | BaseException


PARTS: tuple[Literal["store", "deliver", "draw", "close"], ...] = (
    "store",
    "deliver",
    "draw",
    "close",
)

# Sites run side by side in threads, but two threads in the NetCDF library end the process
# (measured: a segmentation fault in every attempt), and the plotting library makes no promise.
NETCDF = threading.Lock()
PLOTTING = threading.Lock()


@contextmanager
def announced(folder: Path, doing: str) -> Iterator[None]:
    """Tell when something begins and how long it took."""
    logger.info("%s: %s ...", folder.name, doing)
    begun = time.monotonic()
    yield
    logger.info("%s: %s took %.1f s", folder.name, doing, time.monotonic() - begun)


def store(folder: Path, now: datetime) -> StoredNight:
    """Read what is new, compute what it changes, and commit both."""
    with announced(folder, "reading and computing"):
        return while_answering(work.store_night)(folder, now)


def deliver(folder: Path, night: StoredNight) -> DeliveredNight:
    """Write the files of the periods that changed."""
    with NETCDF, announced(folder, "writing NetCDF"):
        return while_answering(work.deliver_night)(folder, night)


def draw(folder: Path, night: StoredNight) -> DrawnNight:
    """Draw the pictures."""
    with PLOTTING, announced(folder, "drawing pictures"):
        return while_answering(work.draw_night)(folder, night)


def close(
    folder: Path,
    night: StoredNight,
    delivered: DeliveredNight | BaseException,
    drawn: DrawnNight | BaseException,
) -> NightAccount:
    """Write the summary of the night, with whatever failed in it.

    Parameters
    ----------
    folder : Path
        The site's description.
    night : StoredNight
        What `store` returned.
    delivered, drawn : DeliveredNight, DrawnNight or BaseException
        What the two parts returned, or what ended them.
    """
    done = [part for part in (delivered, drawn) if not isinstance(part, BaseException)]
    failures = [
        describe_failure(name, part)
        for name, part in (("deliver", delivered), ("draw", drawn))
        if isinstance(part, BaseException)
    ]
    if not failures:
        return while_answering(work.close_night)(folder, night, *done)
    summary = while_answering(work.close_night)(folder, night, *done, {"failures": failures})
    return {**summary, "failures": failures, "outcome": "failed"}


def result_of(folder: Path, results: Results) -> NightAccount:
    """Return the summary of a site's night whichever of its parts failed.

    Parameters
    ----------
    folder : Path
        The site's description.
    results : Results
        A part that was never begun is absent.
    """
    closed = results.get("close")
    if isinstance(closed, dict):
        return {**closed, "folder": str(folder)}
    failures = [
        describe_failure(name, part)
        for name, part in results.items()
        if isinstance(part, BaseException)
    ]
    if not failures:
        failures = [
            {"part": "close", "kind": "", "error": "the night ended before it was done"}
        ]
    stored = results.get("store")
    known: StoredNight = stored if isinstance(stored, dict) else {"site": folder.name}
    outcome = outcome_of(failures)
    return {**known, "folder": str(folder), "outcome": outcome, "failures": failures}


def run_site(folder: Path, now: datetime) -> NightAccount:
    """Run a site's four parts one after another, without an orchestrator.

    Errors are told in the account, never raised, so that the next site is not stopped.
    """
    results: Results = {"store": _attempt(store, folder, now)}
    night = results["store"]
    if isinstance(night, dict):
        results["deliver"] = _attempt(deliver, folder, night)
        results["draw"] = _attempt(draw, folder, night)
        results["close"] = _attempt(close, folder, night, results["deliver"], results["draw"])
    return result_of(folder, results)


def _attempt(
    function: Callable[P, R], *arguments: P.args, **options: P.kwargs
) -> R | BaseException:
    try:
        return function(*arguments, **options)
    except Exception as error:  # isolation: one part's surprise must not stop the others
        return error
