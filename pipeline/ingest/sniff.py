"""A proposed layout for an unknown file, read from a sample, with what is unsure about it.

Nothing is decided that the file does not show: the proposal is read back by the reader of its
kind, and a person is told what could be otherwise. A night never guesses a layout.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any, TypedDict

import numpy as np
from pydantic import ValidationError

from pipeline.errors import ReaderError
from pipeline.ingest.archives import compression, expand_beginning
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import REASONS, ParsedFile
from pipeline.ingest.sniff_bus import draft_bus, is_bus_log
from pipeline.ingest.sniff_draft import Draft
from pipeline.ingest.sniff_table import draft_table
from pipeline.ingest.sniff_text import SAMPLE_LINES, Text, best_splits, is_text, open_text
from pipeline.ingest.sniff_toml import toml_text
from pipeline.site.layout import Layout, layout_faults

_TRIED_SPLITS = 3
_SHOWN_ROWS, _SHOWN_VALUES = 4, 8
_SAMPLE_BYTES = 4 * 1024**2


class SampleAccount(TypedDict):
    """What became of all rows of a sample."""

    rows_read: int
    rows_with_values: int
    rows_without_values: int
    values_read: int
    nulls: int
    rejects: list[dict[str, Any]]  # see `pipeline.ingest.records.Reject`


class ProposalRow(TypedDict):
    """A proposal as documents tell it: see `Proposal`."""

    file: str
    kind: str
    layout: dict[str, Any] | None
    toml: str
    facts: list[str]
    unsure: list[str]
    first_rows: list[str]
    account: SampleAccount | None
    problem: str


@dataclass(frozen=True)
class Proposal:
    """A layout proposed for a file.

    ``layout`` is None where none was found, and ``problem`` then says why. ``kind`` is that of
    a source. ``facts`` are certain, ``doubts`` are not. ``rows`` are the first rows as read,
    and ``account`` counts what became of all rows of the sample, rejects by reason.
    """

    name: str
    kind: str
    layout: Layout | None
    toml: str
    facts: tuple[str, ...]
    doubts: tuple[str, ...]
    rows: tuple[str, ...] = ()
    account: SampleAccount | None = None
    problem: str = ""

    def as_dict(self) -> ProposalRow:
        """Return the proposal as plain JSON-ready values."""
        layout = self.layout
        return {
            "file": self.name,
            "kind": self.kind,
            "layout": None
            if layout is None
            else layout.model_dump(mode="json", by_alias=True, exclude_unset=True),
            "toml": self.toml,
            "facts": list(self.facts),
            "unsure": list(self.doubts),
            "first_rows": list(self.rows),
            "account": self.account,
            "problem": self.problem,
        }


def sniff(data: bytes, name: str) -> Proposal:
    """Propose a layout for a file.

    Parameters
    ----------
    data : bytes
        The file or its beginning; compressed files are expanded.
    name : str
        Its name, for messages and for the layout's id.
    """
    try:
        content = expand_beginning(data, name, _SAMPLE_BYTES)[:_SAMPLE_BYTES]
    except ReaderError as error:
        return _without(name, error.problem.found)
    facts = [f"compressed ({compression(data)})"] if compression(data) else []
    if not content.strip(b"\r\n\x1a"):
        return _without(name, "the file is empty")
    if not is_text(content):
        return _without(name, "the file holds no text, but bytes of some other kind")
    text = open_text(content)
    found = [_tried(draft, content, name) for draft in _drafts(text)]
    if not found:
        return _without(name, _no_table(text))
    best = max(found, key=_worth)
    return _with_facts(best, facts)


def render(proposal: Proposal) -> str:
    """Return a proposal as a layout file: TOML, with all that is to be said in comments."""
    lines = [f"Layout proposed for {proposal.name!r}; look at it before it is used."]
    if proposal.problem:
        lines += [f"No layout can be used yet: {proposal.problem}"]
    if proposal.kind:
        lines += [f'Its source has kind = "{proposal.kind}".']
    lines += [f"  {fact}" for fact in proposal.facts]
    if proposal.doubts:
        lines += ["Unsure:", *(f"  - {doubt}" for doubt in proposal.doubts)]
    if proposal.account is not None:
        lines += list(_account_lines(proposal.account))
    if proposal.rows:
        lines += ["The first rows as it reads them:", *(f"  {row}" for row in proposal.rows)]
    comment = "".join(f"# {_one_line(line)}\n".replace("# \n", "#\n") for line in lines)
    return f"{comment}\n{proposal.toml}" if proposal.toml else comment


def _one_line(text: str) -> str:
    """Return text without what would end a comment or is no text in TOML."""
    return "".join(c if c.isprintable() else " " for c in text)


def _account_lines(account: SampleAccount) -> Iterator[str]:
    read, filled = account["rows_read"], account["rows_with_values"]
    yield (
        f"Of {read} rows {filled} hold values; header, comment or empty: "
        f"{account['rows_without_values']}."
    )
    for reject in account["rejects"]:
        what = "rows" if reject["rows"] else "values"
        yield (
            f"Set aside ({what}: {reject[what]}), {reject['reason']}, first in line "
            f"{reject['first_line']}: found {reject['found']}; expected {reject['expected']}. "
            f"{reject['advice'] or REASONS[reject['reason']]}"
        )


def _without(name: str, problem: str) -> Proposal:
    return Proposal(name, "", None, "", (), (), problem=problem)


def _with_facts(proposal: Proposal, facts: list[str]) -> Proposal:
    return replace(proposal, facts=(*facts, *proposal.facts))


def _drafts(text: Text) -> Iterator[Draft]:
    """Yield what the file may be; a bus log is nothing else."""
    if is_bus_log(text):
        yield draft_bus(text)
        return
    sample = Text(text.encoding, text.lines[:SAMPLE_LINES], text.doubts)
    for split in best_splits(sample.lines)[:_TRIED_SPLITS]:
        draft = draft_table(sample, split)
        if draft is not None:
            yield draft


def _no_table(text: Text) -> str:
    first = next((line for line in text.lines if line.strip()), "")
    if not best_splits(text.lines[:SAMPLE_LINES]):
        return f"no delimiter parts the lines into cells; the first is {first[:60]!r}"
    return (
        "no column holds dates or times that are written alike; without stamps nothing can be "
        f"placed; the first line is {first[:60]!r}"
    )


def _tried(draft: Draft, content: bytes, name: str) -> Proposal:
    """Return a draft as a proposal, after reading the sample with it."""
    facts, doubts = tuple(draft.facts), tuple(draft.doubts)
    if not draft.form:
        return Proposal(name, draft.kind, None, "", facts, (), problem="; ".join(doubts))
    form = {"id": _identifier(name), **draft.form}
    try:
        layout = Layout.model_validate(form)
    except ValidationError as error:
        return Proposal(name, draft.kind, None, "", facts, doubts, problem=str(error))
    toml = toml_text({"title": f"Proposed for {PurePath(name).name}", **draft.form})
    faults = layout_faults(layout, draft.kind)
    if faults:
        return Proposal(name, draft.kind, None, toml, facts, doubts, problem="; ".join(faults))
    try:
        parsed = READERS[draft.kind](_whole_lines(content, layout), layout, name)
    except ReaderError as error:
        return Proposal(
            name, draft.kind, None, toml, facts, doubts, problem=str(error.problem)
        )
    problem = "" if parsed.rows_with_values else "it reads no row with values"
    return Proposal(
        name,
        draft.kind,
        layout if not problem else None,
        toml,
        facts,
        doubts,
        tuple(_first_rows(parsed)),
        _account(parsed),
        problem,
    )


def _worth(proposal: Proposal) -> tuple[bool, float]:
    """Return how well a proposal does: whether it reads, and the share of values it keeps."""
    account = proposal.account
    if account is None:
        return False, 0.0
    lost = sum(r["rows"] for r in account["rejects"])
    kept = account["rows_with_values"] / max(1, account["rows_with_values"] + lost)
    aside = sum(r["values"] for r in account["rejects"])
    return not proposal.problem, kept * (1 - aside / max(1, account["values_read"]))


def _identifier(name: str) -> str:
    """Return a layout's id made of a file's name."""
    stem = re.sub(r"[^A-Za-z0-9_.-]+", "-", PurePath(name).name.split(".")[0]).strip("-._")
    return stem[:64] or "proposed"


def _whole_lines(content: bytes, layout: Layout) -> bytes:
    """Return a sample without a last line that may be cut."""
    wide = (layout.transcript or layout.dialect).encoding.startswith("utf-16")
    if wide:
        return content
    end = max(content.rfind(b"\n"), content.rfind(b"\r"))
    return content[: end + 1] if end >= 0 else content


def _account(parsed: ParsedFile) -> SampleAccount:
    return {
        "rows_read": parsed.rows_read,
        "rows_with_values": parsed.rows_with_values,
        "rows_without_values": parsed.rows_without_values,
        "values_read": parsed.values_read,
        "nulls": parsed.nulls,
        "rejects": [vars(reject) for reject in parsed.rejects],
    }


def _first_rows(parsed: ParsedFile) -> Iterator[str]:
    """Yield the first rows as they were understood."""
    if parsed.rounds is not None:
        rounds = parsed.rounds
        for i in range(min(_SHOWN_ROWS, len(rounds.value))):
            yield (
                f"line {rounds.line[i]}: {_instant(rounds.stamp_s[i])}  "
                f"tube {rounds.tube[i]}, {100 * rounds.depth_m[i]:g} cm: {rounds.value[i]:g}"
            )
        return
    rows = sorted(
        (int(table.line[i]), t, i)
        for t, table in enumerate(parsed.tables)
        for i in range(min(_SHOWN_ROWS, len(table.line)))
    )
    for line, t, i in rows[:_SHOWN_ROWS]:
        table = parsed.tables[t]
        values = [f"{name} = {column[i]:g}" for name, column in table.columns.items()]
        more = f", ... {len(values)} in all" if len(values) > _SHOWN_VALUES else ""
        shown = ", ".join(values[:_SHOWN_VALUES])
        yield f"line {line}: {_instant(table.stamp_s[i])}  {shown}{more}"


def _instant(seconds: int) -> str:
    return str(np.datetime64(int(seconds), "s")).replace("T", " ")
