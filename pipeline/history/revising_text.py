"""Texts of history, comparison, recalibration, undoing and thinning, for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.console import headline, say, show_absent, show_failures, table
from pipeline.errors import clean
from pipeline.history.documents import (
    History,
    LineChanges,
    RedoneTube,
    Revision,
    StatesApart,
    ThinnedStore,
    WaterDifference,
)
from pipeline.store.states import StateRow
from pipeline.words import counted

_LISTED = 12  # rows of a table, lines of a file; --json has them all
_MB = 1e6


def show_change(account: Revision) -> None:
    """Print what a recalibration or an undoing changes, or would change."""
    if "water" in account:
        say(difference_text(account, account["tubes"]))
    show_done(account)


def show_done(account: Revision) -> None:
    """Print what was done, what failed, and which files are to be put back."""
    headline(account["outcome"], f"{account['site']}: {_what_was_done(account)}")
    show_failures(account.get("failures", ()))
    show_absent(account)
    if account.get("put_back") and (account["done"] or account["edited"]):
        say(_put_back(account))


def show_comparison(account: StatesApart) -> None:
    """Print how two states differ."""
    states = [_state_name(state) for state in account["states"]]
    print(clean(f"{account['site']}: from {states[0]} to {states[1]}"))
    for line in difference_text(account).split("\n"):
        print(clean(line))
    if "picture" in account:
        print(clean(f"picture in {account['picture']}"))
    show_failures(account.get("failures", ()))


def show_history(account: History) -> None:
    """Print the states of a site, newest first, after what is wrong with its description."""
    if "failures" in account:
        headline(account["outcome"], f"{account['site']}: the description cannot be used")
        show_failures(account["failures"])
    headers = ["night", "commit", "written (UTC)", "files", "values", "days", "what changed"]
    rows = [_history_row(state) for state in account["states"]]
    print(clean(f"{account['site']}: {counted(len(rows), 'state')}, newest first"))
    print(table(headers, rows))


def show_thinning(account: ThinnedStore) -> None:
    """Print what was thinned out, or would be."""
    kept, gone = len(account["kept"]), len(account["thinned"])
    said = "would be thinned out" if account["dry_run"] else "thinned out"
    headline(
        account["outcome"], f"{account['site']}: {counted(gone, 'state')} {said}, {kept} kept"
    )
    for commit in account["thinned"][:_LISTED]:
        say(f"  {commit}")
    if gone > _LISTED:
        say(f"  and {gone - _LISTED} more")
    before, after = account["bytes_before"], account["bytes_after"]
    if before is not None and after is not None:
        say(f"the store took {before / _MB:.1f} MB and takes {after / _MB:.1f} MB")
    elif gone and before is None:
        say("an object store is not measured; what went frees its room at a thinning a day on")


def difference_text(account: Revision | StatesApart, tubes: Sequence[RedoneTube] = ()) -> str:
    """Return the numbers of a comparison as plain tables."""
    parts = [_description(account["description"])]
    if tubes:
        headers = ["tube", "days", "first", "last"]
        parts += ["computed again:", _table(headers, tubes)]
    parts += list(_by_depth(account["water"]))
    parts += _section("stored water, mm:", account["storage"], "layer", 2)
    if account["readings"]:
        headers = ["quantity", "place", "depth_cm", "cells", "appeared", "vanished"]
        parts += ["logged readings:", _table(headers, account["readings"])]
    if account["hand_readings"]:
        headers = ["quantity", "place", "depth_cm", "cells", "appeared", "vanished", "largest"]
        signed = [
            {**row, "largest": _signed(row["largest"], 4)} for row in account["hand_readings"]
        ]
        parts += ["readings by hand:", _table(headers, signed)]
    if account["tables"]:
        headers = ["table", "rows_before", "rows_after", "appeared", "vanished", "changed"]
        parts += ["tables:", _table(headers, account["tables"])]
    events = account["events"]
    if events is not None:
        counts = (events[name] for name in ("appeared", "vanished", "changed"))
        parts.append("events: {} appear, {} vanish, {} change".format(*counts))
    if not account["arrays"] and not account["tables"]:
        parts.append("no value changes")
    return "\n".join(part for part in parts if part)


def _what_was_done(account: Revision) -> str:
    if "water" not in account:
        return "nothing was done"
    tubes, days = len(account["tubes"]), account["days"]
    if not account["arrays"] and not tubes and not account["done"]:
        return "nothing would change"
    span = f"{counted(days, 'day')} of {counted(tubes, 'tube')}"
    if not account["done"]:
        return f"{span} would be computed again"
    return f"state {account['commit']}, {span} computed again"


def _put_back(account: Revision) -> str:
    """Return which lines and files of the disk are to be put right after an undoing."""
    disk = "the description on the disk is the one taken back; to put it right:"
    if account["edited"]:
        disk = (
            "the description on the disk was edited since: the next night goes by it, and "
            "what was taken back comes again where it still stands; to keep it away put right:"
        )
    lines = [disk, _description(account["put_back"])]
    lines += [f"  copy {path} to {account['folder']}" for path in account["files"]]
    if account["done"]:
        names = [change["file"] for change in account["put_back"]]
        gone = [n for n in names if not any(f.endswith(f"/{n}") for f in account["files"])]
        lines += [f"  remove {name}: there was none" for name in gone]
    return "\n".join(lines)


def _description(changes: Sequence[LineChanges]) -> str:
    """Return the changed lines of a description as in a patch."""
    lines = []
    for change in changes:
        lines.append(f"{change['file']}:")
        rows = [f"  - {line}" for line in change["removed"]]
        rows += [f"  + {line}" for line in change["added"]]
        lines += rows[:_LISTED]
        if len(rows) > _LISTED:
            lines.append(f"  and {len(rows) - _LISTED} lines more")
    return "\n".join(lines)


def _by_depth(rows: Sequence[WaterDifference]) -> Iterator[str]:
    """Return the change of water content over all tubes by depth, then by sensor."""
    if not rows:
        return
    headers = ["depth cm", "cells", "mean", "largest", "flags"]
    body = []
    for depth in sorted({row["depth_cm"] for row in rows}):
        of_depth = [row for row in rows if row["depth_cm"] == depth]
        cells = sum(row["cells"] for row in of_depth)
        both = [row for row in of_depth if row["mean"] is not None]
        count = sum(row["cells"] - row["appeared"] - row["vanished"] for row in both)
        total = sum(
            (row["mean"] or 0.0) * (row["cells"] - row["appeared"] - row["vanished"])
            for row in both
        )
        mean = total / count if count else None
        known = (row["largest"] for row in both if row["largest"] is not None)
        largest = max(known, key=abs, default=None)
        flags = sum(row["flags"] for row in of_depth)
        body.append([depth, cells, _signed(mean, 4), _signed(largest, 4), flags])
    yield "water content by depth, m3 m-3:"
    yield table(headers, body)
    yield from _section("water content by sensor, m3 m-3:", rows, "depth_cm", 4)


def _section(
    title: str, rows: Sequence[Mapping[str, Any]], level: str, digits: int
) -> list[str]:
    """Return a table of changes by tube and level, the longest part left out."""
    if not rows:
        return []
    headers = ["tube", level, "cells", "appeared", "vanished", "mean", "largest"]
    body = [
        [
            *(row[name] for name in headers[:5]),
            *(_signed(row[name], digits) for name in ("mean", "largest")),
            *(row[name][:16] for name in ("first", "last")),
        ]
        for row in rows[:_LISTED]
    ]
    headers += ["first (UTC)", "last (UTC)"]
    text = table([name.replace("_", " ") for name in headers], body)
    return [title, text, *_left_out(rows)]


def _table(headers: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    body = [[row[name] for name in headers] for row in rows[:_LISTED]]
    text = table([name.replace("_", " ") for name in headers], body)
    return "\n".join([text, *_left_out(rows)])


def _left_out(rows: Sequence[object]) -> list[str]:
    """Return how many rows a table left out, if any."""
    more = len(rows) - _LISTED
    return [f"  and {counted(more, 'more row')}, with --json"] if more > 0 else []


def _signed(value: float | None, digits: int) -> str | None:
    return None if value is None else f"{value:+.{digits}f}"


def _state_name(state: StateRow) -> str:
    night = f"night {state['night']}, " if state["night"] is not None else ""
    return f"{state['commit']} ({night}{state['written'][:16]}Z)"


def _history_row(state: StateRow) -> list[object]:
    brought = state["brought"] or {}
    changes = [
        f"{change['file']} +{change['added']} -{change['removed']}"
        for change in state["description"] or ()
    ]
    told = [] if state["kind"] == "night" else [state["kind"]]
    told += changes if state["kept"] else [*changes, "thinned out"]
    if not brought:
        told.append(state["message"])
    return [
        None if state["night"] is None else str(state["night"]),
        state["commit"],
        state["written"][:16],
        *(brought.get(name) for name in ("files", "values", "days")),
        "; ".join(told),
    ]
