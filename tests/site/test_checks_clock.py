"""Checks of a clock that count for nothing more as its logger goes on under another source."""

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site

SOURCE = """
[[source]]
id = "logger-b"
kind = "table"
files = "logger-b/*.csv"
layout = "analog"
interval = "1 h"
"""
WIRE = "logger-a,mV_2,T1,30,voltage,mV,P3,,"
FROM = "2023-09-02T00:00"
FOLLOWED = f"{WIRE}{FROM}\nlogger-b,mV_2,T1,30,voltage,mV,P3,{FROM},"
CHECK = "2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK"
AGAIN = CHECK.replace("logger-a", "logger-b")
LATER = "2023-12-01T12:00,,logger-b,clock,,-90,s,slow,AK"


@pytest.mark.parametrize(
    ("checks", "is_told"),
    [
        ([CHECK], True),  # 40 s slow then, and nothing is corrected any more
        ([CHECK, LATER], True),
        ([CHECK, AGAIN], False),
        ([CHECK, AGAIN, LATER], False),
        ([CHECK.replace("-40", "0")], False),  # nothing to correct
        ([CHECK.replace("-40", "0"), LATER], True),  # the drift from then on is not known
        ([CHECK.replace("-01T", "-05T")], False),  # after the change
    ],
)
def test_a_check_that_the_next_source_lacks_is_told(make_site, checks, is_told):
    site = load_site(
        make_site(
            {
                "site.toml": [("[[layer]]", SOURCE + "\n[[layer]]")],
                "wiring.csv": [(WIRE, FOLLOWED)],
                "visits.csv": [(CHECK, "\n".join(checks))],
            }
        )
    )
    found = [str(p) for p in review(site) if "clock of 'logger-a'" in str(p)]
    assert len(found) == is_told
    for text in found:
        assert text.startswith("visits.csv, line 5, column source: found the last check of")
        told = "none of 'logger-b', which goes on at its channels from 2023-09-02T00:00+01:00"
        assert told in text
