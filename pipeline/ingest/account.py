"""The account of one file while it is read: what was set aside, why, and where first."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.ingest.records import Reject


@dataclass
class _Entry:
    rows: int
    values: int
    first_line: int
    found: str
    expected: str
    advice: str = ""


@dataclass
class Account:
    """Rejects by reason and, for cells, by column, with the first example of each."""

    _entries: dict[tuple[str, str], _Entry] = field(default_factory=dict)

    def set_aside(
        self,
        reason: str,
        rows: int,
        values: int,
        example: tuple[int, str, str],
        column: str = "",
        advice: str = "",
    ) -> None:
        """Count rows or values set aside.

        Parameters
        ----------
        reason : str
            A key of `pipeline.ingest.records.REASONS`.
        rows, values : int
            How many; nothing is noted when both are zero.
        example : (int, str, str)
            Line, what was found and what was expected, of the first of them.
        column : str
            The column of single values.
        advice : str
            What to do about the example, where more is known than its reason says.
        """
        if not rows and not values:
            return
        entry = self._entries.setdefault((reason, column), _Entry(0, 0, *example, advice))
        entry.rows += rows
        entry.values += values
        if example[0] < entry.first_line:
            entry.first_line, entry.found, entry.expected = example
            entry.advice = advice

    def rejects(self) -> tuple[Reject, ...]:
        """Return everything set aside, in the order of first lines."""
        found = [
            Reject(
                reason,
                e.rows,
                e.values,
                e.first_line,
                e.found,
                e.expected,
                column,
                advice=e.advice,
            )
            for (reason, column), e in self._entries.items()
        ]
        return tuple(sorted(found, key=lambda r: (r.first_line, r.reason, r.found)))

    def rows(self) -> int:
        """Return how many whole rows were set aside."""
        return sum(entry.rows for entry in self._entries.values())
