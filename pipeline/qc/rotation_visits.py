"""Rotation checks that people noted on their visits: told beside what the readings say."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.qc.findings import Finding, Verdict
from pipeline.site.models import Site


def visit_findings(site: Site) -> Iterator[Finding]:
    """Yield the rotation checks of visits.csv, in a person's own words.

    They weigh nothing by themselves, since a note has no number; a person who wants it to
    count decides so in decisions.csv.
    """
    for visit in site.visits:
        if visit.action != "rotation" or not visit.tube:
            continue
        at = int(visit.time.timestamp())
        by = f" by {visit.who}" if visit.who else ""
        yield Finding(
            visit.tube,
            "rotation visit",
            np.nan if visit.depth_m is None else visit.depth_m,
            np.nan,
            at,
            at,
            1,
            np.nan,
            np.nan,
            "",
            Verdict.SOUND,
            f"rotation check of {site.date_of(visit.time)}{by}: {visit.note or 'no note'}",
        )
