"""Date patterns of Unicode UAX #35 (LDML part 4), as CSV on the Web uses them, taken apart."""

from __future__ import annotations

from dataclasses import dataclass

# Letters understood, and the most letters that may stand together. The standard reserves
# every ASCII letter; CSV on the Web writes "T" between date and time without quotes, so it
# stands for itself here.
LETTERS = {
    "y": 4, "u": 4, "M": 4, "d": 2, "D": 3,
    "H": 2, "k": 2, "h": 2, "K": 2, "m": 2, "s": 2, "S": 9, "a": 1, "E": 4,
    "X": 3, "x": 3, "Z": 1,
}  # fmt: skip
_BARE = frozenset("T")


@dataclass(frozen=True)
class Token:
    """A run of one pattern letter, or literal text (``letter`` empty)."""

    letter: str
    count: int = 0
    text: str = ""


def pattern_tokens(pattern: str) -> tuple[Token, ...]:
    """Return the fields and literals of a date pattern.

    Parameters
    ----------
    pattern : str
        Such as ``dd.MM.yyyy HH:mm`` or ``yyyy-MM-dd'T'HH:mm:ssX``.

    Raises
    ------
    ValueError
        If a letter is not understood or a quote is not closed.
    """
    tokens: list[Token] = []
    position = 0
    while position < len(pattern):
        character = pattern[position]
        if character == "'":
            text, position = _quoted(pattern, position)
            tokens.append(Token("", text=text))
        elif character.isascii() and character.isalpha() and character not in _BARE:
            count = _run_length(pattern, position)
            _require_letter(pattern, character, count)
            tokens.append(Token(character, count))
            position += count
        else:
            tokens.append(Token("", text=character))
            position += 1
    return tuple(tokens)


def _run_length(pattern: str, position: int) -> int:
    """Return how many times the letter at ``position`` is repeated."""
    rest = pattern[position:]
    return len(rest) - len(rest.lstrip(rest[0]))


def _quoted(pattern: str, position: int) -> tuple[str, int]:
    """Return the text of a quoted literal and the position behind it.

    Two quotes together are an apostrophe, inside a literal and outside.
    """
    if pattern.startswith("''", position):
        return "'", position + 2
    end = position + 1
    while True:
        end = pattern.find("'", end)
        if end < 0:
            raise ValueError(f"date pattern {pattern!r}: quote at {position} is not closed")
        if not pattern.startswith("''", end):
            return pattern[position + 1 : end].replace("''", "'"), end + 1
        end += 2


def _require_letter(pattern: str, letter: str, count: int) -> None:
    """Raise `ValueError` unless ``count`` times ``letter`` is a field we can read."""
    if letter not in LETTERS:
        known = " ".join(LETTERS)
        hint = "write it as dd.MM.yyyy HH:mm; " if "%" in pattern else ""
        hint = hint or ("years are y; " if letter == "Y" else "")
        raise ValueError(
            f"date pattern {pattern!r}: letter {letter!r} is not understood; {hint}use one of "
            f"{known}, or put plain text in single quotes"
        )
    if count > LETTERS[letter]:
        raise ValueError(
            f"date pattern {pattern!r}: {letter * count!r} has more than "
            f"{LETTERS[letter]} letters"
        )
