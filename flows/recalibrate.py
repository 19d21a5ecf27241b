"""Recalibrating many sites side by side. The work is in `pipeline.history.revising`."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.futures import PrefectFuture, wait

from flows.cluster import anywhere, sites_side_by_side
from pipeline.history.documents import Revision
from pipeline.history.revising import redo
from pipeline.history.revisions import recalibrate_site


@task(
    name="recalibrate",
    task_run_name="recalibrate {folder.name}",
    cache_policy=NO_CACHE,
    persist_result=False,
)
def recalibrate_one(folder: Path, now: datetime, dry_run: bool) -> Revision:
    """Bring the edited description of one site into force, or only say what it changes."""
    return anywhere(redo)(recalibrate_site, folder, now, dry_run)


@flow(
    flow_run_name="recalibration of {now:%Y-%m-%d}",
    task_runner=sites_side_by_side(),
    persist_result=False,
)
def recalibrate(
    sites: list[Path], now: datetime, dry_run: bool
) -> list[PrefectFuture[Revision]]:
    """Recalibrate every site; one that fails tells so in its account and stops no other.

    Parameters
    ----------
    sites : list of Path
        Folders of the site descriptions, absolute.
    now : datetime
        The instant of the run, with its offset.
    dry_run : bool
        Only show what would change.

    Returns
    -------
    list of PrefectFuture
        The account of each site, in order.
    """
    futures = [recalibrate_one.submit(folder, now, dry_run) for folder in sites]
    wait(futures)
    return futures
