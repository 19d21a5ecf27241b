"""What differs between two revisions of a table of events: which came or went, what moved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from pipeline.deliver.changes import Change, mean_and_largest
from pipeline.deliver.event_fields import BY_DEPTH, EVENTS, WORDS

_SHOWN = 6
_CHOICES = {field.name for field in (*EVENTS, *BY_DEPTH) if field.kind in WORDS}
_PLACES = ("tube_id", "event_id", "depth", "sensor_depth")


@dataclass(frozen=True)
class Appearance:
    """Events of one tube that one revision has and the other has not."""

    table: str
    tube: str
    word: str  # "new" or "gone"
    events: tuple[str, ...]

    def __str__(self) -> str:
        """Return them as a line."""
        more = len(self.events) - _SHOWN
        names = ", ".join(self.events[:_SHOWN]) + (f" and {more} more" if more > 0 else "")
        return f"{self.table}, tube {self.tube}: {len(self.events)} {self.word}: {names}"


def holds_events(path: Path) -> bool:
    """Tell whether a Parquet file is a table of events."""
    return "event_id" in pq.read_schema(path).names


def compare_events(name: str, old: Path, new: Path) -> list[Appearance | Change]:
    """Compare two Parquet files of `pipeline.deliver.event_tables.write_event_parquet`.

    Parameters
    ----------
    name : str
        What to call the table.
    old, new : Path
        One of them need not be there: all its events came or went.

    Returns
    -------
    list
        Events that came and went (told of the table of events alone, not once more by
        depth), then the numbers that moved in those that both have: times in seconds, words
        only counted. Empty if every cell is the same.
    """
    before, after = _rows(old if old.is_file() else new), _rows(new if new.is_file() else old)
    before = before if old.is_file() else before[:0]
    after = after if new.is_file() else after[:0]
    keys = [key for key in ("event_id", "depth") if key in after]
    found: list[Appearance | Change] = []
    if "depth" not in keys:
        for tube in sorted({*before["tube_id"], *after["tube_id"]}):
            had, has = (set(t.loc[t["tube_id"] == tube, "event_id"]) for t in (before, after))
            for word, events in (("new", has - had), ("gone", had - has)):
                if events:
                    found.append(Appearance(name, tube, word, tuple(sorted(events))))
    both = before.merge(after, on=[*keys, "tube_id"], suffixes=(" old", " new"))
    return found + sorted(_moved(name, both), key=lambda c: (c.variable, c.tube, c.place))


def _rows(path: Path) -> pd.DataFrame:
    """Return a table with times as seconds."""
    rows = pq.read_table(path).to_pandas()
    for column in rows.columns:
        if isinstance(rows[column].dtype, pd.DatetimeTZDtype):
            seconds = rows[column].dt.tz_localize(None).to_numpy("datetime64[s]")
            whole = seconds.astype(np.int64).astype(np.float64)
            rows[column] = np.where(np.isnat(seconds), np.nan, whole)
    return rows


def _moved(name: str, both: pd.DataFrame) -> Iterator[Change]:
    """Yield how the numbers of events that both revisions have differ."""
    variables = [c[:-4] for c in both.columns if c.endswith(" old")]
    place = "depth" if "depth" in both else "tube_id"
    for variable in variables:
        if variable in _PLACES:
            continue
        old, new = both[f"{variable} old"], both[f"{variable} new"]
        differs = (old != new) & ~(old.isna() & new.isna())
        if not differs.any():
            continue
        moved = both[differs].assign(old=old[differs], new=new[differs])
        for (tube, where), part in moved.groupby(["tube_id", place], sort=True):
            at = "all sensors" if place == "tube_id" else f"{100 * float(str(where)):g} cm"
            yield _change((name, variable, str(tube), at), part)


def _change(what: tuple[str, str, str, str], part: pd.DataFrame) -> Change:
    """Return one quantity of one tube and place that moved in some events."""
    had, has = part["old"].notna().to_numpy(), part["new"].notna().to_numpy()
    number = what[1] not in _CHOICES and pd.api.types.is_numeric_dtype(part["old"])
    step = (part["new"] - part["old"]).to_numpy(np.float64)[had & has] if number else ()
    mean, largest = mean_and_largest(np.asarray(step))
    events = sorted(part["event_id"])
    return Change(
        *what,
        changed=int((had & has).sum()),
        added=int((~had & has).sum()),
        removed=int((had & ~has).sum()),
        mean=mean,
        largest=largest,
        first=events[0],
        last=events[-1],
    )
