"""Text of the site description's files: bounded, UTF-8, and named when it is missing."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import Problem
from pipeline.site.description_files import KNOWN_FILES
from pipeline.site.mistakes import did_you_mean

LARGEST_BYTES = 64 * 1024 * 1024
_SHOWN_IN = {"samples.csv": "docs/fitting.md says what is in it."}
_SPREADSHEETS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # packed XML, and what was before it
_BYTE_ORDER_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_text(path: Path, name: str, problems: list[Problem]) -> str | None:
    """Return the text of a UTF-8 file, with or without byte order mark; None after a problem.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Its name in messages, below the site's folder.
    problems : list of Problem
        Mistakes are added here.
    """
    raw = _read_bytes(path, name, problems)
    if raw is None:
        return None
    if raw.startswith(_SPREADSHEETS):
        advice = "Save the sheet as 'CSV UTF-8', under this name."
        problems.append(Problem(name, "", "a spreadsheet's own file", "UTF-8 text", advice))
        return None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        problems.append(_encoding_problem(name, raw, error.start))
        return None


def _read_bytes(path: Path, name: str, problems: list[Problem]) -> bytes | None:
    if not path.is_file():
        problems.append(_missing_problem(path, name))
        return None
    try:
        with path.open("rb") as stream:
            # Room for all that is asked for is taken at once, whatever is there.
            raw = stream.read(min(path.stat().st_size, LARGEST_BYTES) + 1)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        problems.append(
            Problem(name, "", reason, "a readable file", "Look at its permissions.")
        )
        return None
    if len(raw) > LARGEST_BYTES:
        limit = f"at most {LARGEST_BYTES // 1024**2} MB"
        advice = "Raw data belong in the data folder, not in the site description."
        problems.append(Problem(name, "", "a larger file", limit, advice))
        return None
    return raw


def _missing_problem(path: Path, name: str) -> Problem:
    try:
        # A part of a description that is there is no misspelt other one.
        names = {entry.name for entry in path.parent.iterdir()}
        beside = sorted(names.difference(KNOWN_FILES))
    except OSError:
        beside = []
    advice = did_you_mean(path.name, beside).replace("Did you mean", "Rename")
    shown = _SHOWN_IN.get(name, "docs/site-description.md shows one to start from.")
    advice = advice or shown
    found = "a folder" if path.is_dir() else "no such file"
    return Problem(name, "", found, f"a file {path.name!r}", advice)


def _encoding_problem(name: str, raw: bytes, position: int) -> Problem:
    line = raw.count(b"\n", 0, position) + 1
    found = f"a byte 0x{raw[position]:02x} that is not UTF-8"
    if raw.startswith(_BYTE_ORDER_UTF16):
        found = "UTF-16 text"
    return Problem(
        name, f"line {line}", found, "UTF-8 text", "Save the file as 'CSV UTF-8' or as UTF-8."
    )
