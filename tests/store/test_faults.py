"""What the store's library says of clocks, as it printed it in a trial, and what is told."""

import pytest

from pipeline.store.faults import cause

ORDER = """  x session error: invalid snapshot timestamp ordering. parent:
  | `2106-03-01 00:00:00.25 UTC`, child: `2026-11-29 20:00:00 UTC`
  |
  | context:
"""
APART = """  x session error: snapshot timestamp is invalid, please verify if the machine clock
  | has drifted: local clock: `2026-11-30 12:00:04.247013 UTC`, object store clock:
  | `2026-11-29 19:58:57.246728283 UTC`
  |
"""
MISSING = """  x storage error: object store error Object at location
  | /srv/store/chunks/J5K9 not found: No such file or directory (os error 2)
"""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # A night with the clock ahead locks the nights after it out; the clock is right now.
        (ORDER, "(2026-11-29 20:00:00 UTC; that was stored 2106-03-01 00:00:00 UTC)"),
        (ORDER, "If it is right, and was ahead in that night, move the store"),
        (APART, "clock (2026-11-30 12:00:04 UTC) and that of the disk or server"),
        (APART, "(2026-11-29 19:58:57 UTC) are too far apart; set both right"),
        (MISSING, "a file of the store is missing (/srv/store/chunks/J5K9); percolog verify"),
        ("  x storage error\n  | of another kind", "storage error"),
    ],
)
def test_the_cause_is_told_with_both_clocks_and_what_to_do(text, told):
    assert told in cause(RuntimeError(text))


def test_what_nobody_worded_is_told_by_its_name():
    assert cause(RuntimeError("")).startswith("RuntimeError (if it stays so, percolog verify")
