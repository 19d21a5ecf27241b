"""Delivering many sites side by side. The work is in `pipeline.delivering.numbered`."""

from __future__ import annotations

from pathlib import Path

from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.futures import PrefectFuture, wait

from flows.cluster import anywhere, sites_side_by_side
from pipeline.delivering.contents import Request
from pipeline.delivering.documents import DeliveryAccount
from pipeline.delivering.sites import deliver_or_tell


@task(
    name="deliver revision",
    task_run_name="deliver {folder.name}",
    cache_policy=NO_CACHE,
    persist_result=False,
)
def deliver_one(folder: Path, request: Request) -> DeliveryAccount:
    """Make a revision of one site's delivery if it would say anything new."""
    return anywhere(deliver_or_tell)(folder, request)


@flow(
    task_runner=sites_side_by_side(),
    persist_result=False,
    validate_parameters=False,  # a request is checked where it is met
)
def deliver(sites: list[Path], request: Request) -> list[PrefectFuture[DeliveryAccount]]:
    """Deliver every site; one that fails tells so in its account and stops no other.

    Parameters
    ----------
    sites : list of Path
        Folders of the site descriptions, absolute.
    request : Request
        What is to be delivered, the same of all.

    Returns
    -------
    list of PrefectFuture
        The account of each site, in order.
    """
    futures = [deliver_one.submit(folder, request) for folder in sites]
    wait(futures)
    return futures
