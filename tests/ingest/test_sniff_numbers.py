"""Numbers that are none: what the fuzzer found `sniff` to stumble over."""

import time

from pipeline.ingest.sniff import sniff


def test_a_number_beyond_all_numbers_is_no_year():
    """More digits than a float can hold read as infinity, which is no integer."""
    row = f"{'9' * 400},1\n".encode()
    proposal = sniff(b"first,second\n" + row * 20, "f.csv")
    assert proposal.layout is None
    assert proposal.problem


def test_seconds_of_three_digits_are_no_time_of_day():
    """Digits behind the seconds were taken for a fraction that no point begins."""
    rows = "".join(f"2024-03-01 00:{m:02}:301,{m}\n" for m in range(20))
    proposal = sniff(f"time,value\n{rows}".encode(), "f.csv")
    assert proposal.layout is None
    assert proposal.problem


def test_many_columns_take_time_in_proportion():
    """Each name was compared with all before it: eight times as many took 55 times as long."""
    took = {}
    for count in (100, 2000, 16_000):  # the first compiles
        head, row = b"time" + b",x" * count, b",1" * count
        lines = [head, *(b"2024-03-01 00:%02d%s" % (m, row) for m in range(3)), b""]
        began = time.process_time()
        assert sniff(b"\n".join(lines), "f").layout is not None
        took[count] = time.process_time() - began
    assert took[16_000] < 25 * took[2000]
