"""A layout for a log of an SDI-12 bus, told by the commands and replies of the standard."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.ingest.sniff_draft import Draft
from pipeline.ingest.sniff_stamp import Written, written
from pipeline.ingest.sniff_text import Text, comment_prefix

_LOOKED_AT = 600
_LEAST_SHARE = 0.5
# Commands of SDI-12 1.4, and replies: values with their signs, or a promise after a start.
# Lines may be long: no text may match in two ways, nor a search go far from every character.
_COMMAND = re.compile(
    r"(?:\?|[0-9A-Za-z](?:|M[1-9]?|MC[1-9]?|C[1-9]?|CC[1-9]?|D\d{1,3}|RC?\d|V|I\S{0,20}|H[AB]|A\S|"
    r"X\S{0,80}))!"
)
_VALUES = re.compile(r"[0-9A-Za-z](?:[-+](?:\d{1,9}(?:\.\d{1,9})?|\.\d{1,9}))+[@-\x7f]{0,3}")
_PROMISE = re.compile(r"[0-9A-Za-z]\d{4,6}")
_STAMP = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}[T ]\d{1,2}:\d\d:\d\d(?:\.\d+)?"
    r"(?:(?:Z|[-+]\d\d:?\d\d)(?![\w.+-]))?|\d{14}|\d{8} \d{6}"
)
_MARK = re.compile(
    r"(?:TX|RX|OUT|IN|SENT|RECV|SEND|S|R)[:>]?\s|[^0-9A-Za-z?\s]{0,3}\s?", re.IGNORECASE
)


@dataclass(frozen=True)
class _Line:
    """A line of a bus log: its stamp, what stands between, and the words of the bus."""

    stamp: str
    separator: str
    words: str
    is_before: bool


def is_bus_log(text: Text) -> bool:
    """Tell whether most lines of a sample are commands and replies of SDI-12."""
    lines = [line for line in text.lines[:_LOOKED_AT] if line.strip()]
    told = [line for line in lines if not comment_prefix(line)]
    if not told:
        return False
    commands = sum(bool(_last_command(line)) for line in told)
    replies = sum(_ends_in_values(line) for line in told)
    return commands >= 0.1 * len(told) or replies >= 0.9 * len(told)


def _last_command(line: str) -> re.Match[str] | None:
    matches = [
        m
        for m in _COMMAND.finditer(line)
        if m.start() == 0 or not line[m.start() - 1].isalnum()
    ]
    return matches[-1] if matches else None


def _ends_in_values(line: str) -> bool:
    """Tell whether a stamp and one reply with values are all that a line holds."""
    stamp = _STAMP.match(line.strip())
    if stamp is None:
        return False
    rest = line.strip()[stamp.end() :].strip(" ,;\t<>")
    return _VALUES.fullmatch(rest) is not None


def draft_bus(text: Text) -> Draft:
    """Return a layout for a bus log; its doubts say what kept it from being found."""
    draft = Draft({}, kind="sdi12", doubts=list(text.doubts))
    told = [
        line for line in text.lines[:_LOOKED_AT] if line.strip() and not comment_prefix(line)
    ]
    lines = [found for line in told if (found := _taken_apart(line)) is not None]
    if len(lines) < _LEAST_SHARE * len(told):
        draft.doubts.append(
            f"the stamp: {len(told) - len(lines)} of {len(told)} lines hold no time, such as "
            f"{told[0][:60]!r}; without one no reading can be placed"
        )
        return draft
    stamp = written([line.stamp for line in lines])
    if stamp is None:
        draft.doubts.append(f"the stamp: {lines[0].stamp!r} is not written alike in all lines")
        return draft
    draft.form = {"transcript": _form(text, lines, stamp, draft)}
    draft.doubts += stamp.doubts
    draft.facts.append(f"{len(lines)} of the first {len(told)} lines have a stamp")
    return draft


def _taken_apart(line: str) -> _Line | None:
    stripped = line.rstrip()
    before = _STAMP.match(stripped)
    if before:
        rest = stripped[before.end() :]
        words = rest.lstrip(" ,;\t")
        return _Line(before[0], rest[: len(rest) - len(words)], words, True)
    for match in _STAMP.finditer(stripped):
        if match.end() == len(stripped):
            rest = stripped[: match.start()]
            words = rest.rstrip(" ,;\t")
            return _Line(match[0], rest[len(words) :], words, False)
    return None


def _form(
    text: Text, lines: Sequence[_Line], stamp: Written, draft: Draft
) -> dict[str, object]:
    """Return the transcript's form."""
    separator = Counter(line.separator for line in lines).most_common(1)[0][0]
    form: dict[str, object] = {
        "encoding": "ascii" if text.encoding == "utf-8" else text.encoding,
        "stamp": stamp.datatype.get("format", "yyyy-MM-dd HH:mm:ss"),
        "separator": separator,
    }
    if not lines[0].is_before:
        form["stampPosition"] = "after"
    sent, received, joined = _marks([line.words for line in lines])
    form |= {"sent": sent.strip(), "received": received.strip()}
    if joined:
        form["joined"] = True
    prefixes = Counter(filter(None, map(comment_prefix, text.lines)))
    form["commentPrefix"] = prefixes.most_common(1)[0][0] if prefixes else "#"
    if not any(_last_command(line.words) for line in lines):
        draft.doubts.append(
            "the measurements: the log holds answers only; state transcript.answers, the "
            "measurements of each round with their number of values, such as ['M:3', 'C1:4']"
        )
    if not sent and not received:
        draft.doubts.append("who spoke: there are no marks, so commands are told by their '!'")
    return form


def _marks(words: Sequence[str]) -> tuple[str, str, bool]:
    """Return the marks of sent and received words, and whether both share a line."""
    sent: Counter[str] = Counter()
    received: Counter[str] = Counter()
    joined = 0
    for text in words:
        command = _COMMAND.search(text)
        mark = _MARK.match(text)
        lead = mark[0] if mark else ""
        if command is not None and command.start() <= len(lead):
            sent[lead.strip()] += 1
            joined += bool(text[command.end() :].strip())
        elif _VALUES.match(text[len(lead) :]) or _PROMISE.match(text[len(lead) :]):
            received[lead.strip()] += 1
    first = sent.most_common(1)[0][0] if sent else ""
    second = received.most_common(1)[0][0] if received else ""
    return first, second, joined > 0.3 * len(words)
