"""decisions.csv: what it may say, and how a mistake in it is told."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from pipeline.errors import SiteError
from pipeline.site.checks import review
from pipeline.site.fingerprint import site_hash
from pipeline.site.limits import contradictions
from pipeline.site.load import load_site
from pipeline.site.models import QcLimits

HEADER = "tube,depth_cm,from,until,verdict,why,who\n"
GOOD = HEADER + (
    "T1,10,2023-05-01T00:00,2023-05-02,keep,storm seen,A. Keeper\n"
    "T1,,2023-06-01,2023-06-03T12:00Z,reject,cable cut by a mole,A. Keeper\n"
)


def test_rows_become_decisions(make_site):
    site = load_site(make_site(files={"decisions.csv": GOOD}))
    first, second = site.decisions
    assert (first.row, first.tube, first.depth_m, first.verdict) == (2, "T1", 0.1, "keep")
    # The site's standard time is an hour ahead of UTC.
    assert first.start == datetime(2023, 4, 30, 23, tzinfo=UTC)
    assert second.depth_m is None
    assert second.until == datetime(2023, 6, 3, 12, tzinfo=UTC)
    assert (second.why, second.who) == ("cable cut by a mole", "A. Keeper")


def test_a_site_need_not_have_any(make_site):
    assert load_site(make_site()).decisions == ()


def test_nothing_is_said_of_a_file_that_is_read(make_site):
    site = load_site(make_site(files={"decisions.csv": GOOD}))
    assert not [p for p in review(site) if p.file == "decisions.csv"]


@pytest.mark.parametrize(
    ("row", "place", "found", "told"),
    [
        ("T9,10,2023-05-01,2023-05-02,keep,w,A", "tube", "'T9'", "one of 'T1', 'T2'"),
        ("T1,11,2023-05-01,2023-05-02,keep,w,A", "depth_cm", "11", "a sensor in 'T1'"),
        (
            "T1,10,2023-05-02,2023-05-01,keep,w,A",
            "until",
            "2023-05-01T00:00+01:00",
            "an instant after",
        ),
        ("T1,10,2023-05-01,2023-05-02,kep,w,A", "verdict", "'kep'", "Did you mean 'keep'?"),
        ("T1,10,2023-05-01,2023-05-02,keep,,A", "why", "nothing", "a value for 'why'"),
        ("T1,10,2023-05-01,2023-05-02,keep,w,", "who", "nothing", "a value for 'who'"),
        ("T1,10,2023-05-01,,keep,w,A", "until", "nothing", "a value for 'until'"),
        ("T1,10,soon,2023-05-02,keep,w,A", "from", "'soon'", ""),
    ],
)
def test_a_mistake_is_told_with_its_line(make_site, row, place, found, told):
    folder = make_site(files={"decisions.csv": HEADER + row + "\n"})
    with pytest.raises(SiteError) as caught:
        load_site(folder)
    (problem,) = caught.value.problems
    assert (problem.file, problem.place) == ("decisions.csv", f"line 2, column {place}")
    assert found in problem.found
    assert told in f"{problem.expected} {problem.advice}"


def test_the_hash_knows_what_was_decided_and_not_why(make_site):
    def digest(text):
        return site_hash(load_site(make_site(files={"decisions.csv": text})))

    assert digest(GOOD) == digest(GOOD.replace("storm seen", "checked by hand"))
    assert digest(GOOD) != digest(GOOD.replace("reject", "keep"))


def test_limits_from_below_and_signed_ones():
    assert list(contradictions(QcLimits(frozen_degc=-1.0))) == []
    assert list(contradictions(QcLimits(supply_suspect_v=11.0, supply_fail_v=10.0))) == []
    ((name, _, expected),) = contradictions(QcLimits(supply_suspect_v=9.0, supply_fail_v=10.0))
    assert name == "supply_suspect_v"
    assert expected == "no lower than supply_fail_v (10.0)"
    assert [name for name, *_ in contradictions(QcLimits(step_noise=-1.0))] == ["step_noise"]
