"""The picture of a fitted law: what is drawn is what was fitted."""

import math

import numpy as np
import pytest
from picture_site import find
from scipy import stats

from pipeline.calibrate.fit import fit_laws
from pipeline.calibrate.fit_match import Pair
from pipeline.calibrate.samples import SamplePoint, When
from pipeline.report.fit_chart import draw_fit, fit_figure
from pipeline.site.models import Horizon, Law

pytestmark = pytest.mark.usefixtures("style")

HORIZON = Horizon(name="A", top_m=0.0, bottom_m=2.0, calibration="mineral")
COUNT = 14


def fitted(site, odd=None, degree=1, name="mineral", error=0.005):
    random = np.random.default_rng(4)
    pairs = []
    for index, root in enumerate(np.linspace(2.5, 5, COUNT)):
        water = 0.12 * root - 0.2 + random.normal(0, 0.008) + 0.1 * (index == odd)
        when = When(1_740_000_000 + index * 86400)
        point = SamplePoint((index + 2,), when, "A1", 0.1, water, error, math.nan)
        pairs.append(Pair(point, 0.1, 0.1, HORIZON, None, root, 0.03, 0.0, 9))
    law = Law(id=name, version=1, kind="soil", form="linear_root_permittivity",
              coefficients={"slope": 0.11, "offset": -0.17}, origin="invented",
              valid_from=2.0, valid_to=6.0)  # fmt: skip
    (result,) = fit_laws(pairs, site.model_copy(update={"laws": (law,)}), degree)
    return result


@pytest.fixture
def law(site):
    return fitted(site)


def legend_texts(figure):
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def test_samples_stand_where_they_were_found(law):
    above, below = find(fit_figure(law), "samples")
    np.testing.assert_array_equal(above.get_xdata(), law.root)
    np.testing.assert_array_equal(above.get_ydata(), law.water)
    np.testing.assert_array_equal(below.get_ydata(), law.ordinary.residuals)


def test_band_holds_the_line_with_95_percent(law):
    # Provenance: reference code, scipy's t for 12 degrees of freedom; by hand, GUM eq. 13.
    (band,) = find(fit_figure(law), "band")
    (new,) = find(fit_figure(law), "new")
    quantile = stats.t.ppf(0.975, COUNT - 2)
    for artist, extra in ((band, 0.0), (new, law.ordinary.residual_sd)):
        corners = artist.get_paths()[0].vertices
        x = corners[:, 0].max()
        value, error = law.ordinary.predict(x)
        expected = value + quantile * np.hypot(error, extra)
        assert corners[corners[:, 0] == x][:, 1].max() == pytest.approx(expected)


def test_both_fits_and_the_law_in_force_are_drawn(law):
    figure = fit_figure(law)
    (ordinary,), (both,), (before,) = (find(figure, g) for g in ("ordinary", "both", "before"))
    np.testing.assert_allclose(
        ordinary.get_ydata(), law.ordinary.predict(ordinary.get_xdata())[0]
    )
    np.testing.assert_allclose(both.get_ydata(), law.both.predict(both.get_xdata())[0])
    np.testing.assert_allclose(before.get_ydata(), 0.11 * before.get_xdata() - 0.17)
    assert ordinary.get_xdata().min() >= law.low  # solid only where samples were taken
    assert ordinary.get_xdata().max() <= law.high


def test_odd_samples_are_ringed_and_named_by_their_line(site):
    law = fitted(site, odd=5)
    rings = find(fit_figure(law), "odd")
    assert [ring.get_xdata().tolist() for ring in rings] == [[law.root[5]]] * 2
    assert [name.get_text() for name in find(fit_figure(law), "name")] == ["line 7"]
    assert "odd sample, kept" in legend_texts(fit_figure(law))


def test_without_odd_samples_none_is_in_the_legend(law):
    assert not any("odd" in text for text in legend_texts(fit_figure(law)))
    assert find(fit_figure(law), "odd") == []


def test_legend_writes_the_equations(law):
    offset, slope = law.ordinary.coefficients
    expected = f"least squares: θ = −{abs(offset):.4f} + {slope:.4f} √ε"
    assert expected in legend_texts(fit_figure(law))


def test_a_parabola_and_samples_of_unknown_error_can_be_drawn(site, tmp_path):
    law = fitted(site, degree=2, error=math.nan)
    assert find(fit_figure(law), "both") == []
    assert draw_fit(law, tmp_path / "law.png").stat().st_size > 10_000


def test_the_same_law_gives_the_same_bytes(law, tmp_path):
    one, two = (draw_fit(law, tmp_path / name).read_bytes() for name in ("a.png", "b.png"))
    assert one == two
