"""Start a nightly run from the command and bring its results home."""

from __future__ import annotations

import os
import sys
import threading
from concurrent.futures import Future
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from flows.cluster import Wanted, cluster, wide
from flows.cluster import use_of_cluster as use_of_cluster
from flows.server import OrchestratorError, orchestrator, stop_temporary_server
from pipeline.outcomes import describe_failure, outcome_of, state_folder

if TYPE_CHECKING:  # two seconds that a night which fails at once does not need
    from uuid import UUID

    from prefect import Flow
    from prefect.client.schemas.objects import FlowRun, State

    from pipeline.delivering.contents import Request
    from pipeline.delivering.documents import DeliveryAccount
    from pipeline.history.documents import Revision
    from pipeline.nights.documents import NightAccount

HERE = Wanted()


def run_sites(sites: list[Path], now: datetime, wanted: Wanted = HERE) -> list[NightAccount]:
    """Run the night of every site under Prefect.

    Parameters
    ----------
    sites : list of Path
        Folders of the site descriptions, absolute: Prefect is run in a folder of its own.
    now : datetime
        The instant of the run, with its offset.
    wanted : Wanted
        Where the parts are to be done.

    Returns
    -------
    list of NightAccount
        Of each site.

    Raises
    ------
    OrchestratorError
        If Prefect cannot start, or loses its server on the way. What sites have stored by
        then is safe, and a repeated night finds nothing new to do.
    """
    with cluster(wanted, sites) as found, orchestrator(state_folder()):
        from flows.nightly import nightly
        from flows.summary import results

        return results(sites, _Run(wide(nightly, found), sites, now).states())


def recalibrate_sites(
    sites: list[Path], now: datetime, dry_run: bool, wanted: Wanted = HERE
) -> list[Revision]:
    """Recalibrate every site under Prefect; return the account of each.

    Raises
    ------
    OrchestratorError
        As for `run_sites`.
    """
    with cluster(wanted, sites) as found, orchestrator(state_folder()):
        from flows.recalibrate import recalibrate

        return _accounts(wide(recalibrate, found), sites, now, dry_run)


def deliver_sites(
    sites: list[Path], request: Request, wanted: Wanted = HERE
) -> list[DeliveryAccount]:
    """Deliver every site under Prefect; return the account of each.

    Raises
    ------
    OrchestratorError
        As for `run_sites`.
    """
    with cluster(wanted, sites) as found, orchestrator(state_folder()):
        from flows.deliver import deliver

        return _accounts(wide(deliver, found), sites, request)


def _accounts(flow: Flow[..., list[Any]], sites: list[Path], *arguments: object) -> list[Any]:
    """Run a flow whose parts tell of their failures, and return what each gave.

    A part raises only where the worker that did it ended.
    """
    states = _Run(flow, sites, *arguments).states()
    found = [state.result(raise_on_failure=False) for state in states]
    return [
        _unfinished(folder, account) if isinstance(account, BaseException) else account
        for folder, account in zip(sites, found, strict=True)
    ]


def _unfinished(folder: Path, error: BaseException) -> dict[str, object]:
    failures = [describe_failure("worker", error)]
    account = {"site": folder.name, "folder": str(folder)}
    return {**account, "outcome": outcome_of(failures), "failures": failures}


class _Run:
    """A flow in a thread of its own.

    In the main thread Prefect would take over SIGTERM and wait for every running part, for
    minutes if need be; so would the interpreter at its exit. A run that is told to stop stops
    at once instead: the store is safe at any instant.
    """

    def __init__(self, flow: Flow[..., list[Any]], *arguments: object) -> None:
        self.flow, self.arguments = flow, arguments
        self.flow_run_id: UUID | None = None

    def states(self) -> list[State[Any]]:
        """Return the state of each future that the flow returned."""
        outcome: Future[Any] = Future()
        threading.Thread(target=self._work, args=(outcome,), daemon=True).start()
        try:
            state = outcome.result()
            found = state.result(raise_on_failure=False)
        except (SystemExit, KeyboardInterrupt) as stop:
            self._abandon(stop)
        except Exception as error:
            raise OrchestratorError(f"Prefect was lost on the way ({error!r})") from error
        if not isinstance(found, list):  # the flow itself failed, not a part of it
            raise OrchestratorError(f"Prefect was lost on the way ({found!r})")
        return found

    def _work(self, outcome: Future[Any]) -> None:
        try:
            from prefect.logging.handlers import APILogHandler
            from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

            # The heartbeat's thread would hold up the end of the run by a second.
            with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
                run = self.flow.with_options(on_running=[self._remember])
                state = run(*self.arguments, return_state=True)
            APILogHandler().flush()  # while there is a server to take the messages
            outcome.set_result(state)
        except BaseException as error:
            outcome.set_exception(error)

    def _remember(self, flow: object, flow_run: FlowRun, state: object) -> None:
        self.flow_run_id = flow_run.id

    def _abandon(self, stop: BaseException) -> NoReturn:
        code = stop.code if isinstance(stop, SystemExit) else 130
        try:
            self._tell_server()
            stop_temporary_server()
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code if isinstance(code, int) else 1)

    def _tell_server(self) -> None:
        from prefect.client.orchestration import get_client
        from prefect.states import Crashed

        if self.flow_run_id is None:
            return
        try:
            with get_client(sync_client=True, httpx_settings={"timeout": 2.0}) as client:
                state: State[Any] = Crashed(message="The run was told to stop.")
                client.set_flow_run_state(self.flow_run_id, state, force=True)
        except Exception:  # a courtesy to whoever looks at the server; never worth a delay
            return
