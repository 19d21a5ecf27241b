"""Delivering several sites: one that cannot be delivered stops no other.

Sites may be delivered from several threads; the libraries that write and draw allow only one
of them at a time (see `pipeline.nights.parts`).
"""

from __future__ import annotations

from pathlib import Path

from pipeline.delivering.contents import Request
from pipeline.delivering.documents import DeliveryAccount
from pipeline.delivering.numbered import deliver_site
from pipeline.nights.parts import NETCDF, PLOTTING, announced
from pipeline.outcomes import describe_failure, outcome_of


def deliver_or_tell(folder: Path, request: Request) -> DeliveryAccount:
    """Make a revision of one site's delivery as `deliver_site` does; never raise."""
    account: DeliveryAccount
    try:
        with NETCDF, PLOTTING, announced(folder, "delivering"):
            account = deliver_site(folder, request)
    except Exception as error:  # isolation: one site's surprise must not stop the others
        failures = [describe_failure("deliver", error)]
        account = {"site": folder.name, "outcome": outcome_of(failures), "failures": failures}
    return {**account, "folder": str(folder)}
