"""The words of alerts. Whatever came from a file or a table is made harmless first."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from pipeline.console import clean
from pipeline.watch.book import Note

_LISTED = 50
_WIDTH = 78
_LONGEST_SUBJECT = 120


def subject(site: str, notes: Sequence[Note]) -> str:
    """Return one line that says how much is new and how much is over."""
    raised = [note for note in notes if note["event"] == "raised"]
    over = len(notes) - len(raised)
    parts = []
    if len(raised) == 1:
        parts.append(clean(raised[0]["what"]))
    elif raised:
        parts.append(f"{len(raised)} new alerts")
    if over:
        parts.append(f"{over} over")
    return f"percolog {clean(site)}: {', '.join(parts)}"[:_LONGEST_SUBJECT]


def letter(site: str, title: str, notes: Sequence[Note]) -> str:
    """Return the plain text of an e-mail that tells all notes."""
    parts = [f"{clean(title) or clean(site)} ({clean(site)})"]
    parts += [_paragraph(note) for note in notes[:_LISTED]]
    if len(notes) > _LISTED:
        parts.append(f"and {len(notes) - _LISTED} more; see percolog status and the summary.")
    parts.append(
        "Each of these is told once, and again when it is over. percolog status shows what "
        "is open."
    )
    return "\n\n".join(parts) + "\n"


def line(note: Note) -> str:
    """Return a note as one line, for the log."""
    if note["event"] == "over":
        return clean(f"over: {note['what']} (since {note['since']})")
    told = f"alert: {note['what']}, since {note['since']}; {note['evidence'].rstrip('.')}."
    return clean(f"{told} Do: {note['advice'].rstrip('.')}.")


def _paragraph(note: Note) -> str:
    if note["event"] == "over":
        return _wrapped(
            f"OVER  {clean(note['what'])} (since {clean(note['since'])})", "      "
        )
    rows = [f"NEW   {clean(note['what'])}"]
    for word, text in (
        ("since", note["since"]),
        ("evidence", note["evidence"]),
        ("to do", note["advice"]),
    ):
        rows.append(f"      {word}: {clean(text)}")
    return "\n".join(_wrapped(row, "        ") for row in rows)


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(
        text, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
