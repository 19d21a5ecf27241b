"""Numbers that are right in form and hardly meant are told with what was likely meant."""

import pytest

from pipeline.site.checks import review
from pipeline.site.load import load_site

FIRST, SECOND = "T1,48.5,9.1", "T2,48.501,9.101"
MANY = "T3,48.5,9.1,410,2023-03-01,,0,loam,,\nT4,48.5,9.1,410,2023-03-01,,0,loam,,\n"
MIDDLE = "km from the middle of the site's tubes"


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        # By hand, law of cosines: acos(0.624036) = 0.896903, times 6371 km.
        ("tubes.csv", FIRST, f"{MANY}T1,9.1,48.5", f"9.1, 48.5, 5714 {MIDDLE}"),
        ("tubes.csv", FIRST, f"{MANY}T1,9.1,48.5", "Latitude and longitude are swapped."),
        ("tubes.csv", FIRST, f"{MANY}T1,48.5,-9.1", "order, sign and decimal point"),
        ("tubes.csv", SECOND, "T2,50.501,9.101", MIDDLE),  # of two, the middle is between
        ("tubes.csv", FIRST, f"t2,48.5,9.1,410,2023-03-01,,0,loam,,\n{FIRST}", "beside 't2'"),
        ("tubes.csv", ",lower,", ",Upper,", "group 'Upper' beside 'upper'"),
        ("wiring.csv", "mV_2,T1,30", "mV_2,T1,0.3", "found 0.3 cm; expected a depth in cent"),
        ("wiring.csv", "mV_2,T1,30", "mV_2,T1,0.3", "If that was metres write 30."),
        ("tubes.csv", "2023-03-01,,0,", "2023-03-01,,0.05,", "If that was metres write 5,"),
        (
            "visits.csv",
            ",23.5,%,",
            ",0.235,%,",
            "found 0.235 %; expected a water content of a",
        ),
        (
            "soils.toml",
            "sand_pct = 40\nclay_pct = 20",
            "sand_pct = 0.4\nclay_pct = 0.2",
            "write 40",
        ),
    ],
)
def test_what_was_hardly_meant_is_told_once(make_site, file, old, new, told):
    remarks = [str(p) for p in review(load_site(make_site({file: [(old, new)]})))]
    assert sum(told in remark for remark in remarks) >= 1
    mended = [str(p) for p in review(load_site(make_site()))]
    assert not any(told in remark for remark in mended)


def test_the_line_of_a_share_is_named(make_site):
    edits = {
        "soils.toml": [("sand_pct = 40\nclay_pct = 20", "sand_pct = 0.4\nclay_pct = 0.2")]
    }
    (remark,) = [p for p in review(load_site(make_site(edits))) if p.file == "soils.toml"]
    assert remark.place == "line 9, key soil.loam.horizon.0.sand_pct"
    assert remark.advice == "If these are fractions write 40 and 20."
