"""Lines that are almost of a bus log are told as fast as those that are."""

import pytest

from pipeline.ingest.sniff import render, sniff
from pipeline.ingest.sniff_bus import is_bus_log
from pipeline.ingest.sniff_text import Text, open_text

STAMP = "2024-03-13 00:10:00 "
STAMPS_Z = [f"2024-03-13T00:{minute}:00Z" for minute in range(10, 60, 10)]
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


def test_marks_behind_a_stamp_with_its_offset_are_found():
    """The Z stood between the stamp and the marks, and nothing could be read."""
    lines = [
        f"{at} > 4C!\n{at} < 400102\n{at} > 4D0!\n{at} < 4+12.3+12.4\n" for at in STAMPS_Z
    ]
    proposal = sniff("".join(lines).encode(), "bus.log")
    form = proposal.layout.transcript
    assert (form.stamp, form.sent, form.received) == ("yyyy-MM-ddTHH:mm:ssX", ">", "<")
    assert "line 4: 2024-03-13 00:10:00  4.C.1 = 12.3, 4.C.2 = 12.4" in proposal.rows


def test_what_a_log_breaks_is_told_with_what_was_expected():
    lines = [f"{at} > 4C!\n{at} < 400102\n{at} > 4D0!\n{at} < 4+1x+2\n" for at in STAMPS_Z]
    told = render(sniff("".join(lines).encode(), "bus.log"))
    assert "expected only signs, digits and points behind the address" in told
