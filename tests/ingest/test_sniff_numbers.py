"""Numbers that are none: what the fuzzer found `sniff` to stumble over."""

from pipeline.ingest.sniff import sniff


def test_a_number_beyond_all_numbers_is_no_year():
    """More digits than a float can hold read as infinity, which is no integer."""
    row = f"{'9' * 400},1\n".encode()
    proposal = sniff(b"first,second\n" + row * 20, "f.csv")
    assert proposal.layout is None
    assert proposal.problem
