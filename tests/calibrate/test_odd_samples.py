"""Samples of no use, or in another unit, are told by check and stop nothing."""

import pytest
from bare_site import at, make_site, make_tube

from pipeline.accounts.check_and_ledger import survey_site
from pipeline.axis import DAY_S
from pipeline.calibrate.odd_samples import odd_samples
from pipeline.calibrate.samples import Sample, When

SITE = make_site(tubes=(make_tube(installed=at(5), removed=at(20)),))


def sample(day, depth_m=0.2, water=0.25, left_out=""):
    when = When(int(at(day).timestamp()), DAY_S)
    return Sample(7, when, "T1", depth_m, water, 0.01, left_out)


@pytest.mark.parametrize(
    ("one", "told"),
    [
        (sample(10), ""),
        (sample(4), ""),  # from the hole, on the day before
        (sample(21), ""),
        (sample(2), "a sample of 2024-01-02T00:00Z; expected a time while tube 'T1' is in"),
        (sample(23), "a sample of 2024-01-23T00:00Z; expected a time while tube 'T1' is in"),
        (sample(29), "a sample of 2024-01-29T00:00Z; expected a time until now"),
        (
            sample(10, depth_m=0.002),
            "a sample at 0.2 cm; expected a depth in centimetres. If t",
        ),
        (
            sample(10, water=0.0003),
            "a water content of 0.0003 m3 m-3; expected that of a soil",
        ),
        (sample(2, left_out="spilt"), ""),
    ],
)
def test_an_odd_sample_is_told_with_its_line(one, told):
    found = [str(problem) for problem in odd_samples([one], SITE, at(25))]
    assert len(found) == bool(told)
    assert all(text.startswith(f"samples.csv, line 7: found {told}") for text in found)


def test_check_tells_of_them(make_site):
    table = "time,tube,depth_cm,gravimetric,bulk_density\n2023-05-01,T1,0.1,0.25,1.4\n"
    remarks = survey_site(make_site(files={"samples.csv": table}))["remarks"]
    assert [r["found"] for r in remarks if r["file"] == "samples.csv"] == [
        "a sample at 0.1 cm"
    ]
