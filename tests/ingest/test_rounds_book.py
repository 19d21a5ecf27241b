"""The book of hand rounds against arrival: repeats, copies, corrections; by hand."""

import itertools
from datetime import timedelta

import numpy as np
import pytest
from bare_site import START, make_tube
from hand_site import ORIGIN_S, hand_site
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.ledger import FileEntry, Ledger, file_id
from pipeline.ingest.place import Axes, Bench
from pipeline.ingest.records import ParsedFile, RoundReadings
from pipeline.ingest.rounds_book import RoundsBook
from pipeline.site.layout import Layout, RoundsForm
from pipeline.site.models import Clock, Source

LAYOUT = Layout(id="book", rounds=RoundsForm(unit="%"))
SOURCE = Source(
    id="book", kind="rounds", files="*.csv", layout="book", clock=Clock(utc_offset="Z")
)


class Night:
    """A ledger and a book that are filled as a night's intake fills them."""

    def __init__(self, site=None, source=SOURCE, days=10):
        self.site, self.source = site or hand_site(), source
        self.now_s = ORIGIN_S + days * 86400
        self.ledger, self.book = Ledger(), RoundsBook(None)

    def bring(self, path, readings, revision=0):
        """Read a file of (minute, value in percent) or (minute, value, tube)."""
        known = self.ledger.current("book", path)
        if known is not None and known.revision != revision:
            known.state = "replaced"
        file = file_id("book", path, revision)
        entry = FileEntry(file, "book", path, revision, "read", 1, 1, "", "")
        self.ledger.add(entry)
        count = len(readings)
        rounds = RoundReadings(
            stamp_s=np.array([ORIGIN_S + 60 * r[0] for r in readings], np.int64),
            line=np.arange(2, count + 2, dtype=np.int32),
            tube=np.array([r[2] if len(r) > 2 else "T1" for r in readings], np.str_),
            reader=np.full(count, "Ada"),
            direction_deg=np.zeros(count),
            depth_m=np.full(count, 0.1),
            value=np.array([r[1] for r in readings], np.float64),
        )
        parsed = ParsedFile((), count, count, 0, 0, rounds=rounds)
        entry.begin(parsed)
        bench = Bench(self.site, self.source, Axes({}, {}, {}), self.now_s)
        self.book.add(rounds, bench, LAYOUT, entry)
        return entry

    def settle(self):
        """End the night: the account is settled and everything goes through the store."""
        repeated, corrected = self.book.settle(self.ledger.sort_keys())
        for file in {*repeated, *corrected}:
            entry = self.ledger.entries[file]
            entry.stored -= repeated[file] + corrected[file]
            entry.duplicates += repeated[file]
            entry.superseded += corrected[file]
        self.book = RoundsBook(self.book.to_table(), self.book.superseded_table())
        assert all(entry.closes() for entry in self.ledger.entries.values())
        return self

    def values(self):
        return [round(100 * v, 6) for v in self.book.to_table()["value"].to_pylist()]

    def accounts(self):
        entries = self.ledger.entries.values()
        return {(e.path, e.revision): (e.stored, e.duplicates, e.superseded) for e in entries}


def test_two_equal_lines_are_two_readings_and_a_copy_is_none():
    night = Night()
    night.bring("a.csv", [(1, 21.0), (1, 21.0), (2, 22.0)])
    night.bring("b.csv", [(1, 21.0)])
    night.settle()
    assert night.values() == [21.0, 21.0, 22.0]
    assert night.accounts() == {("a.csv", 0): (2, 1, 0), ("b.csv", 0): (1, 0, 0)}
    night.settle()  # nothing new: nothing changes
    assert night.values() == [21.0, 21.0, 22.0]
    assert night.accounts() == {("a.csv", 0): (2, 1, 0), ("b.csv", 0): (1, 0, 0)}


FILES = {
    "a.csv": [(1, 21.0), (1, 21.0), (2, 22.0)],
    "b.csv": [(1, 21.0), (3, 23.0)],
    "c.csv": [(1, 21.0), (1, 21.0), (1, 21.0), (2, 22.5, "T2")],
}


@pytest.mark.parametrize("order", list(itertools.permutations(FILES)))
def test_any_order_of_arrival_gives_the_same_book_and_accounts(order):
    whole = Night()
    for path, readings in FILES.items():
        whole.bring(path, readings)
    whole.settle()
    nights = Night()
    for path in order:
        nights.bring(path, FILES[path])
        nights.settle()
    assert nights.book.to_table().equals(whole.book.to_table())
    assert nights.accounts() == whole.accounts()
    assert whole.values() == [21.0, 21.0, 21.0, 22.0, 22.5, 23.0]


READING = st.tuples(st.integers(0, 2), st.sampled_from([20.0, 21.0]))
BOOKS = st.lists(st.lists(READING, min_size=1, max_size=5), min_size=1, max_size=4)


@settings(max_examples=40, deadline=None)
@given(books=BOOKS, data=st.data())
def test_as_many_equal_readings_stay_as_the_fullest_file_has(books, data):
    order = data.draw(st.permutations(range(len(books))))
    night = Night()
    for number in order:
        night.bring(f"{number}.csv", books[number])
        if data.draw(st.booleans()):
            night.settle()
    night.settle()
    expected = {}
    for book in books:
        for reading in set(book):
            expected[reading] = max(expected.get(reading, 0), book.count(reading))
    table = night.book.to_table().to_pandas()
    minute = (table["time_s"] - ORIGIN_S) // 60
    found = list(zip(minute, (100 * table["value"]).round(6), strict=True))
    assert {reading: found.count(reading) for reading in found} == expected


def test_a_grown_file_is_read_anew_without_counting_twice():
    night = Night()
    night.bring("a.csv", [(1, 21.0)])
    night.settle()
    night.bring("a.csv", [(1, 21.0), (1, 21.0)])
    night.settle()
    assert night.values() == [21.0, 21.0]
    assert night.accounts() == {("a.csv", 0): (2, 0, 0)}


def test_a_rewritten_book_corrects_its_own_readings_and_keeps_them_aside():
    night = Night()
    night.bring("a.csv", [(1, 215.0), (2, 22.0), (3, 23.0)])
    night.bring("b.csv", [(1, 20.0)])
    night.settle()
    night.bring("a.csv", [(1, 21.5), (2, 22.0)], revision=1)
    night.settle()
    # 215 was a slip; 23 is not in the new revision and stays; b is another book
    assert night.values() == [20.0, 21.5, 22.0, 23.0]
    assert night.book.superseded_table()["value"].to_pylist() == [2.15]
    assert night.accounts() == {
        ("a.csv", 0): (1, 1, 1),
        ("b.csv", 0): (1, 0, 0),
        ("a.csv", 1): (2, 0, 0),
    }


def test_a_tube_is_read_on_the_days_it_was_in_the_ground():
    tube = make_tube(
        installed=START + timedelta(days=1, hours=9),
        removed=START + timedelta(days=3, hours=9),
    )
    night = Night(hand_site(tubes=(tube,), wiring=()))
    day = 24 * 60
    # whole days count: a book may note the date alone, which reads as midnight
    entry = night.bring(
        "a.csv",
        [(day - 1, 1.0), (day, 2.0), (3 * day + 1200, 3.0), (4 * day, 4.0), (day, 5.0, "T9")],
    )
    night.settle()
    assert night.values() == [2.0, 3.0]
    (reject,) = entry.rejects
    assert (reject.reason, reject.values, reject.first_line) == ("not_installed", 3, 2)
    assert "tube T1 at 2024-01-01T23:59" in reject.found
    assert (reject.expected, "book" in reject.advice) == (
        "a tube of tubes.csv, in the ground on that day",
        True,
    )


def test_a_time_that_came_twice_is_told_as_a_time_of_a_book():
    """The last Sunday of October 2024: 02:30 came twice in Berlin, 03:30 once."""
    zone = SOURCE.model_copy(update={"clock": Clock(zone="Europe/Berlin")})
    night = Night(source=zone, days=400)
    since_january = 300 * 24 * 60
    entry = night.bring("a.csv", [(since_january + m, 1.0) for m in (150, 210)])
    night.settle()
    (reject,) = entry.rejects
    assert (reject.reason, reject.values) == ("ambiguous_time", 1)
    assert reject.expected == "a stamp that occurs once"
    assert "a book of their own" in reject.advice
    assert "logger" not in reject.advice


def test_readings_before_the_site_and_in_the_future_are_set_aside():
    night = Night()
    entry = night.bring("a.csv", [(-1, 1.0), (1, 2.0), (20 * 24 * 60, 3.0)])
    night.settle()
    assert night.values() == [2.0]
    assert {r.reason: r.values for r in entry.rejects} == {"before_start": 1, "in_future": 1}
    assert entry.retry  # it is read again once the future has come
