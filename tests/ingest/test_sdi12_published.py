"""Every exchange printed in the SDI-12 standard, version 1.4, sections 4.4.8 to 5.1."""

from pathlib import Path

import pytest

from pipeline.ingest.sdi12 import read_transcript
from pipeline.site.layout import Layout, TranscriptForm

EXAMPLES = Path(__file__).parents[1] / "published" / "sdi12_v1_4_examples.txt"
JOINED = Layout(id="bus", transcript=TranscriptForm(joined=True))
TWELVE = (1.234, -4.56, 12354, -0.00045, 2.223, 145.5, 7.7003, 4328.8, 9, 10, 11.433, 12)
FOUR = (1.23, 2.34, 345, 4.4678)
SIX, THREE = (1.11, 2.22, 3.33, 4.44, 5.55, 6.66), (7.77, 8.88, 9.99)

# (section, number of the data reply among the section's lines, number of the line that started
# the measurement, channel of the first value, values). Provenance: printed, section as given.
READINGS = [
    ("4.4.8.2", 1, 1, "0.R0.1", (3.14,)),
    ("4.4.8.4", 2, 1, "0.M.1", (3.14,)),
    ("4.4.8.4", 5, 3, "0.M.1", (3.14, 2.718, 1.414)),
    ("4.4.8.4", 8, 6, "0.M.1", SIX),
    ("4.4.8.4", 9, 6, "0.M.7", THREE),
    ("4.4.8.4", 11, 10, "0.M.1", (3.14, 2.718)),
    ("4.4.8.4", 14, 12, "0.M.1", (3.14,)),
    ("4.4.8.4", 15, 12, "0.M.2", (2.718,)),
    ("4.4.8.4", 16, 12, "0.M.3", (1.414,)),
    ("4.4.8.5", 3, 2, "1.C.1", FOUR),
    ("4.4.8.5", 4, 1, "0.C.1", TWELVE),
    ("4.4.9.1", 3, 1, "0.M1.1", (3.14,)),
    ("4.4.9.1", 6, 4, "0.M2.1", SIX),
    ("4.4.9.1", 7, 4, "0.M2.7", THREE),
    ("4.4.11", 3, 1, "0.V.1", (1,)),
    ("4.4.12.3", 2, 1, "0.M.1", (3.14,)),
    ("4.4.12.3", 5, 3, "0.M.1", (3.14, 2.718, 1.414)),
    ("4.4.12.3", 8, 6, "0.M.1", SIX),
    ("4.4.12.3", 9, 6, "0.M.7", THREE),
    ("4.4.12.3", 11, 10, "0.M.1", (3.14, 2.718)),
    ("4.4.12.3", 14, 12, "0.M.1", (3.14,)),
    ("4.4.12.3", 15, 12, "0.M.2", (2.718,)),
    ("4.4.12.3", 16, 12, "0.M.3", (1.414,)),
    ("4.4.12.3", 19, 18, "1.C.1", FOUR),
    ("4.4.12.3", 20, 17, "0.C.1", TWELVE),
    ("5.1", 3, 2, "1.C.1", FOUR),
    ("5.1", 4, 1, "0.HA.1", TWELVE),
]
SECTIONS = [
    "4.4.8.2",
    "4.4.8.4",
    "4.4.8.5",
    "4.4.9.1",
    "4.4.11",
    "4.4.12.3",
    "4.4.13.1",
    "5.1",
]
START = 1_767_225_600  # 2026-01-01 00:00:00, by `date -u -d 2026-01-01 +%s`


def section_lines(section: str) -> list[str]:
    """Return the exchanges printed in one section."""
    parts = EXAMPLES.read_text().split("## ")
    (found,) = [part for part in parts if part.startswith(section + " ")]
    return found.splitlines()[1:]


def read(lines: list[str]):
    """Return the parsed lines, the nth of them stamped n minutes after START."""
    text = "".join(f"2026-01-01 00:{n + 1:02d}:00 {line}\n" for n, line in enumerate(lines))
    return read_transcript(text.encode(), JOINED, "bus.log")


def readings(parsed) -> set[tuple]:
    """Return (line, minute of the start, channel, value) of every value."""
    return {
        (int(line), (int(stamp) - START) // 60, channel, float(value))
        for table in parsed.tables
        for channel, column in table.columns.items()
        for line, stamp, value in zip(table.line, table.stamp_s, column, strict=True)
    }


def expected_readings(section: str) -> set[tuple]:
    """Return the same from the table above."""
    found = set()
    for where, line, start, channel, values in READINGS:
        stem, first = channel.rsplit(".", 1)
        if where == section:
            found |= {
                (line, start, f"{stem}.{int(first) + n}", v) for n, v in enumerate(values)
            }
    return found


@pytest.mark.parametrize("section", SECTIONS)
def test_printed_exchanges(section):
    lines = section_lines(section)
    parsed = read(lines)
    assert readings(parsed) == expected_readings(section)
    assert parsed.rejects == ()
    assert parsed.rows_read == len(lines)
    assert parsed.rows_close()


def test_every_printed_section_is_tested():
    printed = [
        line.split()[1] for line in EXAMPLES.read_text().splitlines() if line.startswith("## ")
    ]
    assert printed == SECTIONS


def test_one_log_of_all_sections_in_order_keeps_every_reading():
    lines = [line for section in SECTIONS for line in section_lines(section)]
    parsed = read(lines)
    assert parsed.rejects == ()
    assert parsed.rows_with_values == len(READINGS)
    assert parsed.values_read == sum(len(row[4]) for row in READINGS)
