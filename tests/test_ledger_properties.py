"""Random mixtures of all a field sends: every account closes, and nothing is lost.

Files of every kind and dialect, overlapping, re-sent, corrected, packed, growing, damaged and
late, arrive over some nights. After each night every account must close; after the last,
cells, superseded readings, hand rounds and accounts must be what `sent_model` works out by
itself from what was written, and the same as one night over all gives.

``PERCOLOG_LEDGER_EXAMPLES`` sets how many mixtures are tried (of every thirty, one on the real
store).
"""

import os
import random
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from memory_store import MemoryStore
from sent_field import DAY_S, FAULTS, NOW_S, Field, Sent
from sent_model import Version, expect
from sent_pages import pack

from pipeline.ingest import intake
from pipeline.ingest.ledger import Ledger
from pipeline.store.cubes import SPECS
from pipeline.store.site_store import SiteStore
from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES

EXAMPLES = int(os.environ.get("PERCOLOG_LEDGER_EXAMPLES", "60"))


@dataclass(frozen=True)
class Mixture:
    """What an example is made of; the seed decides the rest."""

    seed: int
    faults: frozenset[str]
    files: int
    nights: int
    rewrites: bool
    batch_bytes: int


mixtures = st.builds(
    Mixture,
    seed=st.integers(0, 2**32),
    faults=st.one_of(st.just(frozenset(FAULTS)), st.frozensets(st.sampled_from(FAULTS))),
    files=st.integers(1, 8),
    nights=st.integers(1, 4),
    rewrites=st.booleans(),
    batch_bytes=st.sampled_from([1, 3000, intake.BATCH_BYTES]),
)


class Nights:
    """The nights of one example: which bytes come on each, and which versions there were."""

    def __init__(self, mixture: Mixture, folder: Path, is_stored: bool = False) -> None:
        self.chance, self.is_stored = random.Random(mixture.seed), is_stored
        self.mixture, self.folder, self.ticks = mixture, folder, 0
        # A revision that was replaced keeps the clock that its neighbours of then told.
        faults = mixture.faults - {"early"} if mixture.rewrites else mixture.faults
        self.field = Field(self.chance, frozenset(sorted(faults)), folder)
        self.schedule: list[dict[str, bytes | None]] = [{} for _ in range(mixture.nights)]
        self.versions: list[Version] = []
        sent = [self.field.send(n) for n in range(mixture.files)]
        again = [file for file in sent if self.chance.random() < 0.25]
        for file in sent + [self.field.resend(file, n) for n, file in enumerate(again)]:
            self._plan(file)

    def now_s(self, night: int) -> int:
        """Return the present of a night; the last is `NOW_S`."""
        return NOW_S - (self.mixture.nights - 1 - night) * DAY_S // 2

    def _plan(self, sent: Sent) -> None:
        """Spread the arrival of one file over the nights."""
        last = self.mixture.nights - 1
        complete = self.chance.randint(0, last)
        sizes = sorted(self.chance.randint(0, len(sent.content.data)) for _ in range(complete))
        for night, size in enumerate(sizes):
            if self.chance.random() < 0.6:
                data = pack(sent.content.data[:size], sent.ending)
                if sent.ending and self.chance.random() < 0.3:
                    data = data[: self.chance.randint(0, len(data))]  # still being packed
                self.schedule[night][sent.path] = data
        self.schedule[complete][sent.path] = sent.data
        now_s = NOW_S
        if complete < last and self.mixture.rewrites:
            now_s = self._rewrite(sent, self.chance.randint(complete + 1, last))
        elif complete < last and sent.is_settled and self.chance.random() < 0.2:
            self.schedule[complete + 1][sent.path] = None  # cleared away
        self.versions.append(Version(sent.source, sent.path, 0, sent.content, now_s))

    def _rewrite(self, sent: Sent, night: int) -> int:
        """Replace a whole file under its name; return when the old one was read last."""
        content = self.field.send(0, sent.source).content
        if content.data.startswith(sent.content.data):
            return NOW_S
        new = replace(sent, content=content)
        self.schedule[night][new.path] = new.data
        self.versions.append(Version(new.source, new.path, 1, content, NOW_S))
        return self.now_s(night - 1)

    def lay(self, path: str, data: bytes | None) -> None:
        """Put a file into the data folder, or take it away."""
        full = self.folder / "data" / path
        full.parent.mkdir(parents=True, exist_ok=True)
        full.unlink(missing_ok=True)
        if data is not None:
            full.write_bytes(data)
            self.ticks += 10**9  # as if nights were a day apart, however fast the test is
            os.utime(full, ns=(self.ticks, self.ticks))

    def run(self) -> "State":
        """Run all nights; every account must close after each."""
        store = self._store("store")
        for night, changes in enumerate(self.schedule):
            for path in self.chance.sample(sorted(changes), len(changes)):
                self.lay(path, changes[path])
            state = self._night(store, self.now_s(night))
            state.check_closed()
        return state

    def run_at_once(self) -> "State":
        """Run one night over all files in a store of its own."""
        for changes in self.schedule:
            for path, data in changes.items():
                if data is not None:
                    self.lay(path, data)
        return self._night(self._store("once"), NOW_S)

    def _store(self, name: str) -> SiteStore | MemoryStore:
        site = self.field.site
        if not self.is_stored:
            return MemoryStore(site.axis)
        return SiteStore(str(self.folder / name), site.axis, site.id)

    def _night(self, store: SiteStore | MemoryStore, now_s: int) -> "State":
        before = store.read() if store.exists() else None
        with store.write() as writer:
            intake.take_in(writer, before, self.field.site, now_s)
            if writer.changed():
                writer.commit("night", {})
        return State(store)


class State:
    """The newest state of a store, as plain values by (quantity, place, depth, step)."""

    def __init__(self, store: SiteStore | MemoryStore) -> None:
        snapshot = store.read()
        self.ledger = Ledger.from_table(snapshot.table("ledger"))
        self.key = {
            e.file: (e.path, e.source, e.revision) for e in self.ledger.entries.values()
        }
        self.arrays = {k: snapshot.array(k)[:] for k in SPECS if snapshot.holds(k)}
        self.labels = snapshot.labels
        self.tables = {
            name: [] if table is None else table.to_pylist()
            for name in ("superseded", "rounds", "rounds_superseded")
            for table in [snapshot.table(name)]
        }

    def cells(self) -> dict[tuple, tuple]:
        """Return what every filled cell holds: offset, value, file, line."""
        found = {}
        for quantity in (*TUBE_QUANTITIES, *STATION_QUANTITIES):
            file = self.arrays.get(f"readings/{quantity}_file")
            if file is None:
                continue
            value = self.arrays[f"readings/{quantity}"]
            np.testing.assert_array_equal(np.isnan(value), file == 0)
            for at in map(tuple, np.argwhere(file != 0).tolist()):
                offset_s, line = (
                    int(self.arrays[f"readings/{quantity}_{name}"][at])
                    for name in ("offset_s", "line")
                )
                place = (quantity, *self._place(at), at[0])
                found[place] = (offset_s, float(value[at]), self.key[int(file[at])], line)
        return found

    def _place(self, at: tuple) -> tuple:
        if len(at) == 2:
            return self.labels["station"][at[1]], None
        return self.labels["tube"][at[1]], self.labels["depth"][at[2]]

    def superseded(self) -> set[tuple]:
        """Return the rows of the table of superseded readings."""
        rows = self.tables["superseded"]
        names = ("quantity", "place", "depth_m", "step", "offset_s", "value")
        found = {
            (
                *(None if row[n] != row[n] else row[n] for n in names),
                self.key[row["file"]],
                row["line"],
            )
            for row in rows
        }
        assert len(found) == len(rows)
        return found

    def rounds(self, name: str) -> set[tuple]:
        """Return the rows of a table of hand readings."""
        found = {
            (
                row["time_s"],
                row["tube"],
                row["reader"],
                _angle(row["direction_deg"]),
                row["depth_m"],
                round(row["value"], 9),
                row["occurrence"],
                self.key[row["file"]],
                row["line"],
            )
            for row in self.tables[name]
        }
        assert len(found) == len(self.tables[name])
        return found

    def accounts(self) -> dict[tuple, dict]:
        """Return every account without the time its file was written."""
        hidden = {"modified_ns", "rejects"}
        return {
            self.key[file]: {
                **{name: v for name, v in vars(entry).items() if name not in hidden},
                "rejects": sorted(entry.rejects, key=lambda r: (r.reason, r.first_line)),
            }
            for file, entry in self.ledger.entries.items()
        }

    def check_closed(self) -> None:
        """Every account closes, the totals close, and what is counted is there."""
        totals = self.ledger.totals()
        assert totals["open_files"] == []
        fates = ("stored", "duplicates", "superseded", "rejected")
        assert totals["values_read"] == sum(totals[name] for name in fates)
        assert totals["stored"] == len(self.cells()) + len(self.rounds("rounds"))
        lost = len(self.superseded()) + len(self.rounds("rounds_superseded"))
        assert totals["superseded"] == lost


def _angle(angle: float | None) -> str:
    """Return a direction as text, in which none equals none."""
    return str(float("nan") if angle is None else angle)


def check_against_model(nights: Nights, state: State) -> None:
    """Compare a state with what was written, value by value."""
    expected = expect(nights.field.site, nights.versions)
    assert state.cells() == expected.cells
    assert state.superseded() == expected.superseded
    assert state.rounds("rounds") == expected.rounds
    assert state.rounds("rounds_superseded") == expected.rounds_superseded
    contents = {version.key: version.content for version in nights.versions}
    assert set(contents) == set(state.key.values())
    for entry in state.ledger.entries.values():
        check_account(entry, contents[state.key[entry.file]], expected)


def check_account(entry, content, expected) -> None:
    """Compare one account with what its file holds and what must have become of it."""
    key = (entry.path, entry.source, entry.revision)
    fate = expected.fates[key]
    for name in ("stored", "duplicates", "superseded"):
        assert getattr(entry, name) == getattr(fate, name), (key, name)
    assert entry.rows_read == content.rows, key
    assert entry.rows_with_values == content.with_values, key
    written = sum(len(row.values) for table in content.tables for row in table)
    lost = sum(content.lost_values.values())
    assert entry.values_read == written + len(content.hand) + lost, key
    values, rows = dict.fromkeys(fate.values, 0), dict.fromkeys(fate.rows, 0)
    for reject in entry.rejects:
        values[reject.reason] = values.get(reject.reason, 0) + reject.values
        rows[reject.reason] = rows.get(reject.reason, 0) + reject.rows
    assert +fate.values == {k: v for k, v in values.items() if v}, key
    if content.nulls is not None:  # of a transcript the simulator keeps no list of these
        assert entry.nulls == content.nulls, key
        assert +fate.rows == {k: v for k, v in rows.items() if v}, key


@pytest.fixture(scope="module", autouse=True)
def _no_sync():
    """Leave the disk alone: nothing here has to survive a power cut."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "sync", lambda: None)
        yield


def check(mixture: Mixture, is_stored: bool) -> None:
    """Run the nights of a mixture and compare with the model and with one night over all."""
    with tempfile.TemporaryDirectory() as scratch, pytest.MonkeyPatch.context() as patch:
        patch.setattr(intake, "BATCH_BYTES", mixture.batch_bytes)
        nights = Nights(mixture, Path(scratch), is_stored)
        state = nights.run()
        check_against_model(nights, state)
        if any(version.revision for version in nights.versions):
            return  # what was rewritten can only be known night by night
        once = nights.run_at_once()
        assert state.accounts() == once.accounts()
        assert state.tables == once.tables
        assert state.arrays.keys() == once.arrays.keys()
        for key, array in state.arrays.items():
            np.testing.assert_array_equal(array, once.arrays[key], err_msg=key)


@pytest.mark.slow
@given(mixtures)
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_nothing_a_field_sends_is_lost_and_every_account_closes(mixture):
    check(mixture, is_stored=False)


@pytest.mark.slow
@given(mixtures)
@settings(
    max_examples=max(2, EXAMPLES // 30),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.generate],
)
def test_the_same_holds_on_the_real_store(mixture):
    check(mixture, is_stored=True)
