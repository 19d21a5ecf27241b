"""The document of ``percolog deliver``; docs/documents.md says the same to programs."""

from __future__ import annotations

from typing import Required, TypedDict

from pipeline.outcomes import Failure


class MadeRevision(TypedDict, total=False):
    """What a revision says anew."""

    new: bool  # whether this call made it; false where the last one says the same
    files: list[str]  # paths in its folder
    changes: list[str]
    reasons: list[str]


class DeliveryAccount(MadeRevision, total=False):
    """What is told of a delivery: all of it, or it has failed."""

    site: Required[str]
    outcome: Required[str]
    commit: str
    delivery: str  # its name
    revision: int
    revision_folder: str
    failures: list[Failure]  # instead of all these
    folder: str  # of the description
