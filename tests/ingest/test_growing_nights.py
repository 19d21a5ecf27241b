"""Nights over files that grow, are packed, or are written to while they are read."""

import gzip
import os
import threading
from datetime import UTC, datetime

import numpy as np
import pytest
from packing import PACK

from pipeline.ingest import growth, tail
from pipeline.ingest.ledger import Ledger
from pipeline.nights import night
from pipeline.store.cubes import SPECS

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
FILE = "logger-a/export.csv"
# Without the check of the logger's clock, whose correction looks at all rows of a file.
CLOCK = {"visits.csv": [("2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n", "")]}
PACKED = {**CLOCK, "site.toml": [("logger-a/*.csv", "logger-a/*")]}


def rows(day, hours=range(24)):
    return "".join(
        f"{day}.03.2023 {h:02}:{m:02};{300 + h + day},5;{400 + m};{'0,2' if h % 5 else 'x'}\n"
        for h in hours
        for m in (0, 15, 30, 45)
    )


WHOLE = HEADER + rows(10) + HEADER + rows(11) + "11.03.2023 25:00;1;2;3\n" + rows(12)


def put(folder, name, content):
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def state_of(folder):
    """Return every array and table of the newest state, without when files were written."""
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    ledger = snapshot.table("ledger").to_pandas().drop(columns=["modified_ns"])
    return arrays, snapshot.table("superseded").to_pandas(), ledger


def assert_same(found, expected, without=()):
    assert found[0].keys() == expected[0].keys()
    for key, array in expected[0].items():
        if key.endswith("_file") and "file" in without:
            continue
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    assert found[1].equals(expected[1])
    left, right = (table.drop(columns=list(without)) for table in (found[2], expected[2]))
    assert left.to_dict("records") == right.to_dict("records")


@pytest.fixture(scope="module")
def at_once(make_shared_site):
    """Return the state after one night over the whole file, whose arrays stay as they are."""
    folder = make_shared_site(CLOCK)
    put(folder, FILE, WHOLE.encode())
    night.store_night(folder, NOW)
    arrays, *tables = state_of(folder)
    for array in arrays.values():
        array.setflags(write=False)
    return arrays, *tables


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_file_that_grows_night_by_night_ends_as_in_one_night(make_site, at_once, line_end):
    data = WHOLE.replace("\n", line_end).encode()
    folder = make_site(CLOCK)
    last = len(data)
    for size in (200, last // 3, last // 3 + 1, last // 2, last - 3, last):
        put(folder, FILE, data[:size])
        result = night.store_night(folder, NOW)
        assert result["ledger"]["open_files"] == []
    without = () if line_end == "\n" else ("size", "sha256", "content_size", "content_sha256")
    assert_same(state_of(folder), at_once, without)


def test_only_the_end_of_a_grown_file_is_parsed(make_site, monkeypatch):
    folder = make_site(CLOCK)
    data = WHOLE.encode()
    put(folder, FILE, data[: -len(rows(12))])
    night.store_night(folder, NOW)
    parsed = []
    read = tail.read_table

    def count(text, layout, name):
        parsed.append(len(text))
        return read(text, layout, name)

    def refuse(text, layout, name):
        raise AssertionError("the whole file was parsed")

    monkeypatch.setattr(tail, "_LAST_BYTES", 200)
    monkeypatch.setattr(tail, "read_table", count)
    monkeypatch.setitem(growth.READERS, "table", refuse)
    put(folder, FILE, data)
    night.store_night(folder, NOW)
    assert parsed[:2] == [len(HEADER), len(HEADER) + len(rows(12))]
    (last_known,) = parsed[2:]  # the rows the new ones follow
    assert last_known <= len(HEADER) + 200 + len("11.03.2023 25:00;1;2;3\n") + 30


def test_with_checks_of_the_clock_the_whole_file_is_taken_in_and_right(make_site):
    once, nightly = make_site(), make_site()
    put(once, FILE, WHOLE.encode())
    night.store_night(once, NOW)
    for size in (len(WHOLE) // 2, len(WHOLE)):
        put(nightly, FILE, WHOLE[:size].encode())
        night.store_night(nightly, NOW)
    assert_same(state_of(nightly), state_of(once))


def test_a_reading_displaced_on_the_same_night_as_its_file_grew(make_site):
    """Both files claim the same cells with other values; the account of each must close."""
    both = {FILE: WHOLE, "logger-a/later.csv": (HEADER + rows(11)).replace("311,5", "999,5")}
    once, nightly = make_site(CLOCK), make_site(CLOCK)
    for name, text in both.items():
        put(once, name, text.encode())
        put(nightly, name, text[: len(text) // 2].encode())
    night.store_night(once, NOW)
    night.store_night(nightly, NOW)
    for name, text in both.items():
        put(nightly, name, text.encode())
    night.store_night(nightly, NOW)
    assert_same(state_of(nightly), state_of(once))
    assert state_of(once)[2]["superseded"].sum() == 4  # one value an interval of one hour


def test_a_file_whose_beginning_changed_is_another_revision(make_site):
    folder = make_site(CLOCK)
    put(folder, FILE, WHOLE[:-500].encode())
    night.store_night(folder, NOW)
    put(folder, FILE, WHOLE.replace("310,5", "310,6").encode())
    result = night.store_night(folder, NOW)
    assert result["ledger"]["open_files"] == []
    ledger = state_of(folder)[2]
    assert ledger["revision"].tolist() == [0, 1]
    assert ledger["state"].tolist() == ["replaced", "read"]


@pytest.mark.parametrize("ending", PACK)
def test_a_packed_file_packed_anew_each_night_is_one_file_that_grows(
    make_site, at_once, ending
):
    folder = make_site(PACKED)
    data = WHOLE.encode()
    for size in (len(data) // 2, len(data)):
        packed = PACK[ending](data[:size])
        put(folder, FILE + ending, packed)
        result = night.store_night(folder, NOW)
        assert result["ledger"]["open_files"] == []
    found = state_of(folder)
    names = ("file", "path", "size", "sha256", "fingerprint")
    assert_same(found, at_once, names)
    (entry,) = found[2].to_dict("records")
    assert entry["size"] == len(packed)
    assert entry["content_size"] == len(data)


@pytest.mark.parametrize(("share", "why"), [(0.5, "ends too early"), (0.0, "is empty")])
def test_a_packed_file_cut_short_waits_and_disturbs_nothing(make_site, share, why):
    folder = make_site(PACKED)
    packed = gzip.compress(WHOLE.encode())
    cut = packed[: int(share * len(packed))]
    put(folder, FILE + ".gz", cut)
    first = night.store_night(folder, NOW)
    (told,) = first["set_aside"]
    assert why in told["found"]
    put(folder, FILE + ".gz", packed)
    night.store_night(folder, NOW)
    sound = state_of(folder)
    assert sound[2]["revision"].tolist() == [0]
    put(folder, FILE + ".gz", cut)
    again = night.store_night(folder, NOW)
    assert any(why in entry["found"] for entry in again["set_aside"])
    assert_same(state_of(folder), sound)


def test_a_file_written_while_nights_run_is_read_to_the_end_in_the_end(make_site, at_once):
    folder = make_site(CLOCK)
    data = WHOLE.encode()
    path = put(folder, FILE, data[:100])

    def write():
        with path.open("ab", buffering=0) as file:
            for start in range(100, len(data), 97):
                file.write(data[start : start + 97])
                os.sched_yield()

    writer = threading.Thread(target=write)
    writer.start()
    while writer.is_alive():
        result = night.store_night(folder, NOW)
        assert result["ledger"]["open_files"] == []
        (entry,) = Ledger.from_table(
            night.site_store(night.open_description(folder)).read().table("ledger")
        ).entries.values()
        # What was hashed is what was counted, whatever came after.
        assert entry.size == entry.content_size <= len(data)
        assert entry.sha256 == entry.content_sha256
    writer.join()
    night.store_night(folder, NOW)
    assert_same(state_of(folder), at_once)


def test_bytes_that_come_between_finding_and_reading_wait_for_the_next_night(
    make_site, at_once, monkeypatch
):
    from pipeline.ingest import intake

    folder = make_site(CLOCK)
    data = WHOLE.encode()
    half = len(data) // 2
    path = put(folder, FILE, data[:half])
    find = intake.discover

    def discover_then_grow(site):
        found = find(site)
        path.write_bytes(data)
        return found

    monkeypatch.setattr(intake, "discover", discover_then_grow)
    night.store_night(folder, NOW)
    monkeypatch.undo()
    assert state_of(folder)[2]["size"].tolist() == [half]
    night.store_night(folder, NOW)
    assert_same(state_of(folder), at_once)
