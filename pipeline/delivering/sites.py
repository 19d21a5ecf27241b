"""Delivering several sites: one that cannot be delivered stops no other.

Sites may be delivered from several threads; the libraries that write and draw allow only one
of them at a time (see `pipeline.nights.parts`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.nights.parts import NETCDF, PLOTTING, announced
from pipeline.outcomes import describe_failure, outcome_of


def deliver_or_tell(folder: Path, request: Request) -> dict[str, Any]:
    """Make a revision of one site's delivery as `deliver_site` does; never raise.

    Returns
    -------
    dict
        The account of `deliver_site`, or ``site``, ``outcome`` and ``failures``; and
        ``site_folder``.
    """
    account: dict[str, Any]
    try:
        with NETCDF, PLOTTING, announced(folder, "delivering"):
            account = deliver_site(folder, request)
    except Exception as error:  # isolation: one site's surprise must not stop the others
        failures = [describe_failure("deliver", error)]
        account = {"site": folder.name, "outcome": outcome_of(failures), "failures": failures}
    return account | {"site_folder": str(folder)}
