"""The keys that docs/documents.md tells are those of the types that the code makes."""

from __future__ import annotations

from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from told_keys import PAGE, described

from pipeline.accounts.check_and_ledger import LedgerAccount, Survey
from pipeline.accounts.events_report import EventsAccount
from pipeline.accounts.fitting_text import FitAccount
from pipeline.accounts.limits_documents import LimitsAccount
from pipeline.accounts.space_account import SpaceAccount
from pipeline.accounts.timeline import TimelineAccount
from pipeline.accounts.tubes import TubesAccount
from pipeline.accounts.verify import Verified
from pipeline.delivering.documents import DeliveryAccount
from pipeline.delivering.model_output import LayersAccount
from pipeline.history.documents import History, Revision, StatesApart, ThinnedStore
from pipeline.ingest.sniff import ProposalRow
from pipeline.nights.documents import NightAccount
from pipeline.watch.status import Status

TYPES = {
    "night": NightAccount,
    "check": Survey,
    "ledger": LedgerAccount,
    "tubes": TubesAccount,
    "history": History,
    "compare": StatesApart,
    "recalibrate": Revision,
    "thin": ThinnedStore,
    "status": Status,
    "events": EventsAccount,
    "fit": FitAccount,
    "deliver": DeliveryAccount,
    "layers": LayersAccount,
    "limits": LimitsAccount,
    "timeline": TimelineAccount,
    "space": SpaceAccount,
    "verify": Verified,
}
# Where the page says "as in": of a document, what lies where in which other.
AS_IN = {
    ("night", "ledger"): ("ledger", "totals"),
    ("night", "thinning"): ("thin",),
    **{
        ("recalibrate", name): ("night", name)
        for name in ("delivered_counts", "periods_without", "rounds")
    },
}

# Of the document, not of a site; and what a line says of one of those it is about alone.
BESIDE = {
    "night": {("orchestrated",), ("cluster",), ("thinning", "dry_run")},
    "fit": {
        ("laws", "both", "r_squared"),
        ("laws", "ordinary", "reduced_chi_square"),
        ("laws", "pairs", "reason"),
    },
}


def typed(kind, above=()):
    """Yield the path of every key of a type; ``**`` stands for keys that it leaves open."""
    origin, parts = get_origin(kind), get_args(kind)
    if hasattr(kind, "__total__"):
        for key, item in get_type_hints(kind).items():
            yield (*above, key)
            yield from typed(item, (*above, key))
    elif origin is dict:
        names = get_args(parts[0]) if get_origin(parts[0]) is Literal else ("*",)
        if parts[1] is Any:
            yield (*above, "**")
        else:
            for name in names:
                yield (*above, name)
                yield from typed(parts[1], (*above, name))
    elif origin in (list, Union, UnionType):
        for part in parts:
            yield from typed(part, above)
    else:
        assert kind in (str, int, float, bool, NoneType, Any), (above, kind)


def told_by(page, document):
    """Return the paths the page tells of a document, also those it tells elsewhere."""
    found = described(page)
    head = {path[1:] for path in found["The head"] if path[0] == "failures"} - {()}
    told = found[document] | {("site",), ("outcome",)}
    for (name, key), place in AS_IN.items():
        if name == document:
            below = place[1:]
            there = {p[len(below) :] for p in found[place[0]] if p[: len(below)] == below}
            told |= {(key, *path) for path in there if path}
    told |= {(*path, *more) for path in told if path[-1] == "failures" for more in head}
    return told - BESIDE.get(document, set())


def differing(told, keys):
    """Return the paths that are told and not typed, and those that are typed and not told."""
    open_at = {path[:-1] for path in (*told, *keys) if path[-1] == "**"}

    def beyond(paths, known):
        return {
            path
            for path in paths
            if path not in known and not any(path[: len(at)] == at != path for at in open_at)
        }

    return beyond(told, keys), beyond(keys, told)


@pytest.mark.parametrize("document", TYPES)
def test_the_page_tells_the_keys_of_the_type(document):
    keys = set(typed(TYPES[document]))
    assert len(keys) > 4
    assert differing(told_by(PAGE, document), keys) == (set(), set())


def test_the_page_tells_the_keys_of_a_proposal():
    told = {path[1:] for path in described(PAGE)["sniff"] if path[0] == "proposal"} - {()}
    assert differing(told, set(typed(ProposalRow))) == (set(), set())
