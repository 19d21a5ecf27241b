"""Accounts in cases that random mixtures of files found wrong. All figures counted by hand."""

import gzip
from datetime import UTC, datetime

from pipeline.ingest.delimited import read_table
from pipeline.ingest.ledger import Ledger
from pipeline.nights import night
from pipeline.site.layout import Layout

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
ROWS = "".join(f"10.03.2023 0{h}:00;300,5;400;0,2\n" for h in range(5))
PACKED = {"site.toml": [("logger-a/*.csv", "logger-a/*")]}


def put(folder, name, content):
    path = folder / "data/logger-a" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def stored(folder):
    """Return the accounts in order of revision, and how many cells are filled."""
    snapshot = night.site_store(night.open_description(folder)).read()
    entries = Ledger.from_table(snapshot.table("ledger")).entries.values()
    filled = sum(
        int((snapshot.array(f"readings/{quantity}_file")[:] != 0).sum())
        for quantity in ("voltage", "rain")
    )
    return sorted(entries, key=lambda e: e.revision), filled


def test_a_text_in_a_row_without_a_name_is_one_value_not_two():
    columns = [
        {"name": "time", "role": "stamp", "datatype": {"base": "dateTime"}},
        {"name": "channel", "role": "key"},
        {"name": "value", "role": "value"},
    ]
    layout = Layout.model_validate({"id": "long", "tableSchema": {"columns": columns}})
    data = b"time,channel,value\n2024-03-01 00:00,,over\n2024-03-01 00:00,a,1\n"
    parsed = read_table(data, layout, "f")
    assert parsed.values_read == 2
    rejected = {r.reason: (r.rows, r.values) for r in parsed.rejects}
    assert rejected == {"not_a_number": (0, 1), "no_name": (1, 0)}
    assert parsed.rows_close()


def test_a_file_set_aside_for_two_reasons_in_turn_is_no_other_revision(make_site):
    """An archive without rows, then one cut short, then a whole one: nothing was replaced."""
    folder = make_site(PACKED)
    whole = gzip.compress((HEADER + ROWS).encode())
    for data in (gzip.compress(HEADER[:5].encode()), whole[:30], whole):
        put(folder, "export.csv.gz", data)
        night.store_night(folder, NOW)
    ((entry,), filled) = stored(folder)
    assert (entry.revision, entry.state, entry.stored) == (0, "read", filled)
    assert filled == 15


def test_what_was_read_of_a_file_stands_when_it_can_no_longer_be_read(make_site):
    """Power failed while the logger wrote: the file ends in zeros, and later goes on."""
    folder = make_site()
    sound = (HEADER + ROWS).encode()
    put(folder, "export.csv", sound)
    night.store_night(folder, NOW)
    for data in (sound + b"\0" * 3000, sound + b"\0" * 3000 + b"\n" + ROWS.encode()):
        put(folder, "export.csv", data)
        result = night.store_night(folder, NOW)
        assert any("no text at all" in told["found"] for told in result["set_aside"])
        ((entry,), filled) = stored(folder)
        assert (entry.state, entry.stored, entry.closes()) == ("read", filled, True)
        assert filled == 15
