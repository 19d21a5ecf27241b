"""The nightly run: sites side by side. Orchestration; the work: `pipeline.nights.parts`."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from prefect import Task, allow_failure, flow, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State
from prefect.futures import PrefectFuture, as_completed, wait

from flows.cluster import anywhere, sites_side_by_side
from flows.summary import ARTIFACT_KEY, markdown
from pipeline.errors import LockedError, StoreError
from pipeline.nights import parts
from pipeline.nights.documents import StoredNight
from pipeline.refusals import lasting

logger = logging.getLogger(__name__)
R = TypeVar("R")

RETRY_DELAYS_S = [10.0, 60.0]
# Errors that say the path is wrong: another attempt would say the same.
_LASTING = (FileNotFoundError, PermissionError, IsADirectoryError, NotADirectoryError)


def only_io(_task: object, _run: object, state: State[Any]) -> bool:
    """Tell whether a failed part is worth another attempt: I/O and locks, never arithmetic."""
    error = state.result(raise_on_failure=False)
    if isinstance(error, StoreError) and isinstance(error.__cause__, OSError):
        error = error.__cause__
    passing = isinstance(error, OSError | LockedError) and not isinstance(error, _LASTING)
    return passing and not lasting(error)


def _part(name: str, work: Callable[..., R]) -> Task[..., R]:
    """Return a part of the night as a task: tried again after I/O errors, never cached."""
    policy = task(
        name=name,
        task_run_name=f"{name} {{folder.name}}",
        retries=len(RETRY_DELAYS_S),
        retry_delay_seconds=RETRY_DELAYS_S,
        retry_condition_fn=only_io,
        cache_policy=NO_CACHE,
        persist_result=False,
    )
    return policy(anywhere(work))


store = _part("store", parts.store)
deliver = _part("deliver", parts.deliver)
draw = _part("draw", parts.draw)
close = _part("close", parts.close)


@flow(
    flow_run_name="night of {now:%Y-%m-%d}",
    task_runner=sites_side_by_side(),
    persist_result=False,
)
def nightly(sites: list[Path], now: datetime) -> list[PrefectFuture[Any]]:
    """Run the night of every site.

    A failing site does not stop the others. A part waits for a thread only once the parts it
    needs are running or done, so that a slow site does not hold up the rest. Every future is
    returned because Prefect fails a run only for failures it can see.

    Parameters
    ----------
    sites : list of Path
        Folders of the site descriptions, absolute.
    now : datetime
        The instant of the run, with its offset; later stamps count as "in the future".

    Returns
    -------
    list of PrefectFuture
        Four for each site, in the order of ``sites`` and of `pipeline.nights.parts.PARTS`.
    """
    nights = {store.submit(folder, now): folder for folder in sites}
    chains = {
        nights[night]: _finish(nights[night], night) for night in as_completed([*nights])
    }
    futures = [future for folder in sites for future in chains[folder]]
    wait(futures)
    _publish(markdown(sites, [future.state for future in futures]))
    return futures


def _finish(folder: Path, night: PrefectFuture[StoredNight]) -> list[PrefectFuture[Any]]:
    delivered = deliver.submit(folder, night)
    drawn = draw.submit(folder, night)
    closed = close.submit(folder, night, allow_failure(delivered), allow_failure(drawn))
    return [night, delivered, drawn, closed]


def _publish(text: str) -> None:
    try:
        create_markdown_artifact(text, key=ARTIFACT_KEY, description="Nightly run summary")
    except Exception as error:  # the record is a convenience; the night is done without it
        logger.warning("the run summary could not be kept with the run: %r", error)
