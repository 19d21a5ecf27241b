"""Numbers a hundred or a thousand times off are told with what was likely meant."""

import pytest

from pipeline.errors import SiteError
from pipeline.nights.night import open_description
from pipeline.site.checks import review
from pipeline.site.load import load_site

SPIKES = "spike_suspect = 0.03\nspike_fail = 0.06"


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        (
            "site.toml",
            SPIKES,
            "spike_suspect = 3\nspike_fail = 6",
            "line 44, key qc.spike_suspect: found 3; expected a threshold in m3 m-3, below 1. "
            "If that was percent write 0.03;",
        ),
        (
            "site.toml",
            '"0.5 mV"',
            "0.5",
            "line 40, key sensor_noise.voltage: found 0.5 V; expected the noise of single",
        ),
        (
            "site.toml",
            "bottom_cm = 30",
            "bottom_cm = 0.3",
            "line 56, key layer.0.bottom_cm: found layer 'root-zone' down to 0.3 cm; expected "
            "a depth in centimetres. If that was metres write 30.",
        ),
        (
            "calibrations.toml",
            "covariance = [[1e-4, -2e-5], [-2e-5, 1e-5]]\nstandard_error = 0.02",
            "standard_error = 2",
            "line 18, key law.1.standard_error: found 2 of law 'topsoil' version 1; expected "
            "a standard error in m3 m-3. If that was percent write 0.02.",
        ),
        (
            "calibrations.toml",
            "valid = [0.0, 1.0]",
            "valid = [0, 1000]",
            "line 8, key law.0.valid: found 1000 of law 'probe-batch' version 1; expected a",
        ),
    ],
)
def test_another_unit_is_told_by_the_size(make_site, file, old, new, told):
    remarks = [str(p) for p in review(load_site(make_site({file: [(old, new)]})))]
    assert [text for text in remarks if text.startswith(f"{file}, {told}")]
    sound = [str(p) for p in review(load_site(make_site()))]
    assert not [text for text in sound if text.startswith(f"{file}, {told[:20]}")]


def test_what_the_science_finds_wrong_with_a_law_has_its_line(make_site):
    edit = ("slope = 0.119, offset = -0.19", "slope = 0.119")
    with pytest.raises(SiteError) as caught:
        open_description(make_site({"calibrations.toml": [edit]}))
    told = [str(problem) for problem in caught.value.problems]
    place = "calibrations.toml, line 11, law 'topsoil' version 1: "
    assert f"{place}found no coefficient 'offset'" in told[0]
