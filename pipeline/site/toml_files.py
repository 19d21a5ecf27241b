"""TOML files of the site description, with the line on which every key stands.

The standard library's reader gives values but not their lines. Once it has accepted a text, a
light scanner walks it again and notes where each key begins; it runs only when there is
something to report.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path as FilePath

from pipeline.errors import Problem
from pipeline.site.advice import on_toml
from pipeline.site.mistakes import Path, Spot, show
from pipeline.site.text_files import read_text

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_STRING = re.compile(
    r'"""(?:\\[\s\S]|[^\\])*?"{3,5}'
    r"|'''[\s\S]*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
)
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*'""")
_SCALAR = re.compile(r"[^,\]}#\n]+")
_SYNTAX_LINE = re.compile(r"\(at line (\d+), column \d+\)")


@dataclass(frozen=True)
class TomlFile:
    """A TOML file that could be read: its name below the site's folder, data and text."""

    name: str
    data: dict[str, object]
    text: str = field(repr=False)

    @cached_property
    def lines(self) -> Mapping[Path, int]:
        """Return the line on which each key, table and array element begins."""
        try:
            return _Scanner(self.text).scan()
        except RecursionError:  # arrays nested deeper than a person would
            return {}

    def line_of(self, path: Path) -> int | None:
        """Return the line of a key, or of the nearest table that would hold it."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length]) or self._respelled(path[:length])
            if line is not None:
                return line
        return None

    def _respelled(self, path: Path) -> int | None:
        """Return the line of a key written in the other spelling (skipRows, skip_rows)."""
        wanted = tuple(map(_plain, path))
        for known, line in self.lines.items():
            if len(known) == len(path) and tuple(map(_plain, known)) == wanted:
                return line
        return None


def _plain(part: str | int) -> str | int:
    return part.replace("_", "").lower() if isinstance(part, str) else part


@dataclass(frozen=True)
class TomlSpot(Spot):
    """A table of a TOML file."""

    source: TomlFile
    base: Path = ()

    def place(self, path: Path) -> str:
        """Return ``line 12, key source.0.layout``."""
        full = self.base + path
        line = self.source.line_of(full)
        where = [] if line is None else [f"line {line}"]
        return ", ".join([*where, "key " + ".".join(map(str, full))] if full else where)

    def below(self, *path: str | int) -> TomlSpot:
        """Return the spot of a table below this one."""
        return TomlSpot(self.file, self.source, self.base + path)


def read_toml(path: FilePath, name: str, problems: list[Problem]) -> TomlFile | None:
    """Return a TOML file, or None after saying what is wrong with it.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Its name in messages.
    problems : list of Problem
        Mistakes are added here.
    """
    text = read_text(path, name, problems)
    if text is None:
        return None
    try:
        return TomlFile(name, tomllib.loads(text), text)
    except RecursionError:
        problems.append(Problem(name, "", "arrays nested too deep", "a site description"))
    except ValueError as error:  # a number of too many digits is not a TOMLDecodeError
        problems.append(_syntax_problem(name, text, error))
    return None


def _syntax_problem(name: str, text: str, error: ValueError) -> Problem:
    """Return the parser's complaint with the line it stands on, quoted."""
    message = str(error)
    match = _SYNTAX_LINE.search(message)
    lines = text.split("\n")
    number = int(match.group(1)) if match else len(lines)
    quoted = lines[number - 1].strip() if number <= len(lines) else ""
    reason = _SYNTAX_LINE.sub("", message).strip()
    return Problem(
        name,
        f"line {number}",
        show(quoted) if quoted else "the end of the file",
        f"valid TOML ({reason})",
        on_toml(quoted, reason),
    )


class _Scanner:
    """Walk a text that is known to be valid TOML and note the line of every key."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.found: dict[Path, int] = {}
        self.array_length: dict[Path, int] = {}
        self.starts = [0, *(match.end() for match in re.finditer("\n", text))]

    def scan(self) -> dict[Path, int]:
        """Return the line of every path."""
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.found

    def _note(self, path: Path, position: int) -> None:
        self.found.setdefault(path, bisect_right(self.starts, position))

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:  # not reached in valid TOML; going on would not end
            self.at = len(self.text)
            return ""
        self.at = match.end()
        return match.group()

    def _keys(self) -> list[str]:
        """Read ``a.b."c d"``."""
        keys = []
        while True:
            self._skip(_SPACE)
            keys.append(_unquote(self._skip(_KEY)))
            self._skip(_SPACE)
            if self.text[self.at : self.at + 1] != ".":
                return keys
            self.at += 1

    def _header(self) -> Path:
        """Read ``[a.b]`` or ``[[a.b]]`` and return the table it opens."""
        begin = self.at
        is_array = self.text.startswith("[[", begin)
        self.at += 2 if is_array else 1
        path: Path = ()
        keys = self._keys()
        for place, key in enumerate(keys):
            path = (*path, key)
            self._note(path, begin)
            if is_array and place == len(keys) - 1:
                self.array_length[path] = self.array_length.get(path, 0) + 1
            if path in self.array_length:
                path = (*path, self.array_length[path] - 1)
                self._note(path, begin)
        self.at += 2 if is_array else 1
        return path

    def _pair(self, table: Path) -> None:
        """Read ``key = value``."""
        begin, path = self.at, table
        for key in self._keys():
            path = (*path, key)
            self._note(path, begin)
        self.at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: Path) -> None:
        self._note(path, self.at)
        head = self.text[self.at : self.at + 1]
        if head == "[":
            self._items(path, "]")
        elif head == "{":
            self._items(path, "}")
        elif head in ("'", '"'):
            self._skip(_STRING)
        else:
            self._skip(_SCALAR)

    def _items(self, path: Path, closing: str) -> None:
        """Read the elements of an array or the pairs of an inline table."""
        self.at += 1
        index = 0
        self._skip(_BLANK)
        while self.at < len(self.text) and self.text[self.at] != closing:
            if closing == "]":
                self._value((*path, index))
            else:
                self._pair(path)
            index += 1
            self._skip(_BLANK)
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1
                self._skip(_BLANK)
        self.at += 1


def _unquote(key: str) -> str:
    if key[:1] == '"':
        return str(tomllib.loads(f"key = {key}")["key"])
    return key.strip("'")
