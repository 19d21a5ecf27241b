"""The parts of a night on other processes: workers of this machine, or of a Dask scheduler.

Prefect keeps the order, the retries and the states of the tasks; a task that has a cluster
hands its work to a worker and waits. What travels is a function of `pipeline` by name, a
folder's path, and small accounts; readings and results stay in the site's store. Where the
cluster is lost the work is done in this process: each part may be repeated at will.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from pipeline.errors import PercologError
from pipeline.outcomes import state_folder

if TYPE_CHECKING:
    from prefect import Flow
    from prefect.task_runners import TaskRunner

logger = logging.getLogger("pipeline.cluster")
P = ParamSpec("P")
R = TypeVar("R")

# A part works in compiled code and threads of its own; more sites at a time only cost memory.
SITES_AT_A_TIME = max(2, min(4, os.cpu_count() or 2))
ANSWER_WITHIN_S = 15.0  # a scheduler that is there answers within a second
START_WITHIN_S = 120.0  # a busy machine may take long to start Python
NO_WORKER_FOR_S = 120.0  # a worker that was killed is started again within some seconds
_LEAVE_WITHIN_S = 15.0
_LOOK_EVERY_S = 10.0
_SILENT_FOR_S = 60.0  # of a scheduler that answered before; it may be busy
_ENDED = (
    "the worker that did this ended, and so did the others that tried it: most often for want "
    "of memory, or killed. Look at the system's log, give the workers more memory or have "
    "fewer of them; the store is as it was"
)
_LIBRARIES = ("percolog", "numpy", "numba", "xarray", "zarr", "icechunk", "netCDF4")


class ClusterError(PercologError, RuntimeError):
    """A cluster cannot be started, reached or used."""


class WorkerLostError(PercologError, RuntimeError):
    """The worker ended under a part, again and again."""


@dataclass(frozen=True)
class Wanted:
    """Where the parts of the flows are to be done; by default in this process.

    ``workers`` is the number of processes to start on this machine, ``scheduler`` the address
    of a scheduler that is there already; at most one of them is given.
    """

    workers: int = 0
    scheduler: str = ""

    def __bool__(self) -> bool:
        return bool(self.workers or self.scheduler)

    def options(self) -> dict[str, Any]:
        """Return what is given, by the names of the command's options."""
        return {name: value for name, value in asdict(self).items() if value}


class Cluster:
    """Workers that are there and have been found fit."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._lost = threading.Event()
        self._here = threading.Semaphore(SITES_AT_A_TIME)

    def threads(self) -> int:
        """Return how many parts the workers do at a time."""
        return sum(int(worker["nthreads"]) for worker in self._workers().values())

    def call(self, work: Callable[..., R], *arguments: object) -> R:
        """Have a worker do something, wait for it, and return or raise what it did.

        Raises
        ------
        WorkerLostError
            If each worker that tried it ended.
        """
        from distributed import CancelledError

        if not self._lost.is_set():
            try:
                return self._wait(self._submit(work, *arguments))
            except (CancelledError, ClusterError) as error:
                self._tell_lost(error)
        with self._here:
            return work(*arguments)

    def _submit(self, work: Callable[..., object], *arguments: object) -> Any:
        if self._client.status != "running":  # what is submitted now may wait for ever
            raise ClusterError("the scheduler is gone")
        try:
            return self._client.submit(work_here, work, *arguments, pure=False)
        except Exception as error:  # it went at this very moment
            raise ClusterError(f"the scheduler takes no work ({error})") from error

    def _wait(self, future: Any) -> Any:
        from distributed import KilledWorker

        idle_s = 0.0
        while True:
            try:
                return future.result(timeout=_LOOK_EVERY_S)
            except TimeoutError:
                if future.status == "error":  # the work's own
                    raise
                idle_s = 0.0 if self._workers() else idle_s + _LOOK_EVERY_S
            except KilledWorker as error:
                raise WorkerLostError(_ENDED) from error
            if idle_s >= NO_WORKER_FOR_S:
                future.cancel()
                raise ClusterError(f"it had no worker for {NO_WORKER_FOR_S:.0f} s")

    def _workers(self) -> dict[str, Any]:
        ask = self._client.scheduler.identity
        try:
            told = self._client.sync(ask, n_workers=-1, callback_timeout=_SILENT_FOR_S)
        except (OSError, RuntimeError) as error:  # silent, or the client has closed
            raise ClusterError(f"the scheduler is gone ({error})") from error
        workers: dict[str, Any] = told["workers"]
        return workers

    def _tell_lost(self, error: BaseException) -> None:
        if not self._lost.is_set():
            self._lost.set()
            _use["used"] = "in part"
            logger.warning("going on without the cluster, it was lost: %s", error)


_current: list[Cluster] = []  # of this process: one run at a time
_use: dict[str, Any] = {}  # what the last run wanted, and what came of it


def use_of_cluster() -> dict[str, Any] | None:
    """Return what the last run of this process wanted of a cluster, and whether it was used.

    Returns
    -------
    dict or None
        ``workers`` or ``scheduler`` as wanted, and ``used``: "yes", "in part" (it was lost on
        the way, and the rest done here) or "no" (it could not be had). None where none was
        wanted.
    """
    return dict(_use) or None


def anywhere(work: Callable[..., R]) -> Callable[..., R]:
    """Return a function that does the work on the cluster of the run, or here without one."""

    @functools.wraps(work)
    def place(*arguments: object) -> R:
        return _current[-1].call(work, *arguments) if _current else work(*arguments)

    return place


def work_here(work: Callable[..., R], *arguments: object) -> R:
    """Do something on a worker, so that its progress and errors come home whole."""
    import dask

    logging.getLogger("pipeline").setLevel(logging.INFO)
    # A description with hundreds of mistakes is told with all of them.
    dask.config.set({"distributed.admin.max-error-length": 10_000_000})
    return work(*arguments)


@contextmanager
def cluster(wanted: Wanted, sites: list[Path]) -> Iterator[Cluster | None]:
    """Provide the workers that are wanted for the duration of a run.

    Parameters
    ----------
    wanted : Wanted
        Where the work is to be done.
    sites : list of Path
        Folders that every worker must see.

    Yields
    ------
    Cluster or None
        None if none is wanted, or if none can be had, which is told: the work is then done in
        this process.
    """
    _use.clear()
    with ExitStack() as stack:
        found = None
        if wanted:
            _use.update(wanted.options(), used="no")
            try:
                found = _open(stack, wanted, sites)
            except ClusterError as error:
                logger.warning("going on without the cluster: %s", error)
        if found is not None:
            _use["used"] = "yes"
            _current.append(found)
            stack.callback(_current.remove, found)
        yield found


def sites_side_by_side() -> TaskRunner[Any]:
    """Return what gives each of some sites a thread."""
    from prefect.task_runners import ThreadPoolTaskRunner

    return ThreadPoolTaskRunner(max_workers=SITES_AT_A_TIME)


def wide(flow: Flow[P, R], found: Cluster | None) -> Flow[P, R]:
    """Return the flow with a thread for each part the cluster does at a time, and one more.

    The one more has its part ready when a worker becomes free.
    """
    if found is None:
        return flow
    from prefect.task_runners import ThreadPoolTaskRunner

    runner: Any = ThreadPoolTaskRunner(max_workers=found.threads() + 1)
    return flow.with_options(task_runner=runner)


def _open(stack: ExitStack, wanted: Wanted, sites: list[Path]) -> Cluster:
    if wanted.scheduler:
        client, told = _connect(stack, wanted.scheduler), wanted.scheduler
    else:
        client, told = _start(stack, wanted.workers), f"{wanted.workers} workers here"
    _examine(client, sites, told)
    client.forward_logging("pipeline", logging.INFO)
    stack.callback(_quietly, client.unforward_logging, "pipeline")
    return Cluster(client)


def _connect(stack: ExitStack, address: str) -> Any:
    from distributed import Client

    try:
        asyncio.run(asyncio.wait_for(_knock(address), ANSWER_WITHIN_S))
        client = Client(address, timeout=ANSWER_WITHIN_S, set_as_default=False)
        stack.callback(_quietly, client.close, timeout=5)
        client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
    except TimeoutError as error:  # an OSError too, hence first
        raise ClusterError(_unanswered(address, error)) from error
    except Exception as error:  # of the network, of TLS, of a spoilt address
        raise ClusterError(
            f"no scheduler can be used at {address!r} ({type(error).__name__}: {error}); "
            f"expected one like tls://host:8786; start it with dask scheduler, and give its "
            f"certificates in Dask's own configuration (distributed.comm.tls)"
        ) from error
    return client


async def _knock(address: str) -> None:
    """Greet a scheduler: the client itself would wait without end for one that is silent."""
    from distributed.comm import connect
    from distributed.security import Security

    security = Security().get_connection_args("client")
    greeted = await connect(address, timeout=ANSWER_WITHIN_S, **security)
    await greeted.close()


def _unanswered(address: str, error: BaseException) -> str:
    return (
        f"found no scheduler with workers at {address} within {ANSWER_WITHIN_S:.0f} s "
        f"({error}); see that dask scheduler and dask worker run, and that the port is open"
    )


def _start(stack: ExitStack, workers: int) -> Any:
    """Start workers on this machine: on loopback, and only for those who hold their key."""
    import dask
    from distributed import Client, LocalCluster

    # One part at a time and worker; a part that ends its worker is tried twice more. Dask's
    # pages of what goes on would be open to every user of the machine.
    settings: dict[str, Any] = {
        "distributed.scheduler.allowed-failures": 2,
        "distributed.scheduler.worker-saturation": 1.0,
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
    }
    # A run that is told to stop ends at once, and Python would warn of what it had open.
    os.environ.setdefault("PYTHONWARNINGS", "ignore:resource_tracker:UserWarning")
    try:
        with dask.config.set(settings):
            local = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address=None,
                scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},  # any free port
                security=True,  # any user of the machine could else have them run code
                memory_limit=0,  # the night bounds its own; Dask would stop workers early
                local_directory=str(_folder()),
                silence_logs=logging.CRITICAL,
            )
            stack.callback(_quietly, local.close, timeout=10)
            client = Client(local, timeout=START_WITHIN_S, set_as_default=False)
            stack.callback(_quietly, client.close, timeout=5)
            client.wait_for_workers(workers, timeout=START_WITHIN_S)
    except Exception as error:  # no ports, no memory, no right to start processes
        raise ClusterError(
            f"{workers} workers cannot be started here ({type(error).__name__}: {error})"
        ) from error
    return client


def _folder() -> Path:
    folder = state_folder() / "workers"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def _examine(client: Any, sites: list[Path], told: str) -> None:
    """Refuse workers that are not of this percolog or do not see the sites."""
    seen = [str(site) for site in sites if site.is_dir()]
    try:
        answers = client.run(introduce, seen)
    except Exception as error:  # as a rule: no such module there
        raise ClusterError(
            f"the workers of {told} cannot run percolog ({type(error).__name__}: {error}); "
            f"install there what is installed here"
        ) from error
    mine = introduce([])["versions"]
    for address, answer in answers.items():
        other = {k: v for k, v in answer["versions"].items() if v != mine[k]}
        if other:
            here = {name: mine[name] for name in other}
            raise ClusterError(
                f"the worker {address} has {other}, here is {here}: results could differ; "
                f"install there what is installed here"
            )
        if answer["missing"]:
            raise ClusterError(
                f"the worker {address} does not see {answer['missing'][0]}; expected every "
                f"site at the same path on each machine, on a folder they share"
            )


def introduce(sites: list[str]) -> dict[str, Any]:
    """Tell, on a worker, the versions of what computes there and which sites it misses."""
    from importlib.metadata import version

    from pipeline.nights import parts  # noqa: F401  (the first part finds it loaded)

    missing = [site for site in sites if not Path(site).is_dir()]
    return {"versions": {name: version(name) for name in _LIBRARIES}, "missing": missing}


def _quietly(end: Callable[..., object], *arguments: object, **options: object) -> None:
    """Leave something that may be gone already, or silent: not waiting for it for ever."""

    def leave() -> None:
        try:
            end(*arguments, **options)
        except Exception as error:
            logger.debug("the cluster could not be left in order: %r", error)

    leaving = threading.Thread(target=leave, daemon=True)
    leaving.start()
    leaving.join(_LEAVE_WITHIN_S)
