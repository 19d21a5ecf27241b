"""Books of hand rounds as they are kept: decimal commas, directions by letter."""

import pytest

from pipeline.ingest.readers import READERS
from pipeline.ingest.sniff import sniff


def book(directions):
    """Return the lines of a book: two depths, decimal commas, a direction a row."""
    rows = [f"0{day}.03.2024 10:15;T1;{d};21,5;24,0" for day in (1, 8) for d in directions]
    return "\n".join(["time;tube;direction;20;40", *rows, ""]).encode()


@pytest.mark.parametrize(
    ("directions", "angles"),
    [
        ("ABC", [0, 120, 240]),  # by hand: three, evenly around
        ("NEW", [0, 90, 270]),  # of the compass
        ("123", [0, 120, 240]),
    ],
)
def test_a_book_with_decimal_commas_is_read_by_the_layout_proposed(directions, angles):
    data = book(directions)
    proposal = sniff(data, "book.csv")
    read = READERS["rounds"](data, proposal.layout, "book.csv").rounds
    assert set(read.value) == {21.5, 24.0}
    assert sorted(set(read.direction_deg)) == angles
    assert ("angles" in " ".join(proposal.doubts)) == (directions == "ABC")
