"""Lines that are almost of a bus log are told as fast as those that are."""

import pytest

from pipeline.ingest.sniff_bus import is_bus_log
from pipeline.ingest.sniff_text import Text, open_text

STAMP = "2024-03-13 00:10:00 "
# Each would keep a pattern that matches a text in many ways busy for years.
ALMOST = {
    "values": STAMP + "0" + "+1234567.1234567" * 40 + "#",
    "one value": STAMP + "0+" + "1" * 200_000 + "#",
    "extended commands": STAMP + "X" * 200_000,
    "identifications": STAMP + "0I" * 100_000,
}


def told(line: str) -> Text:
    """Return a sample of lines alike."""
    return open_text((line + "\n").encode() * 3)


@pytest.mark.parametrize("case", ALMOST)
def test_a_line_almost_of_a_bus_is_not_taken_for_one(case):
    assert not is_bus_log(told(ALMOST[case]))


@pytest.mark.parametrize("values", ["+1", "-.5", "+1.25-0.5", "+1234567" * 20, "+21.5AJX"])
def test_a_reply_with_values_of_the_standard_is(values):
    assert is_bus_log(told(f"{STAMP}0{values}"))
