"""Layers that no sensor is near, and what uncertainty lacks: warnings, each with its place."""

import pytest
from bare_site import make_site, make_tube, make_wire

from pipeline.calibrate.felt import FELT_WITHIN_M
from pipeline.calibrate.forms import FORMS
from pipeline.site import checks_layers
from pipeline.site.checks import review
from pipeline.site.checks_uncertainty import FITTED_FORMS
from pipeline.site.load import load_site
from pipeline.site.models import Derive, Layer

LAYER = 'name = "root-zone"\ntop_cm = 0\nbottom_cm = 30'
RULES = "[derive]\nday_completeness = 0.8"


@pytest.fixture
def warnings(make_site):
    """Return what is said of the invented site after edits, its raw files in place."""

    def told(edits):
        folder = make_site(edits)
        for name in ("logger-a/jan.csv", "bus/jan.log", "rounds/2023.csv"):
            path = folder / "data" / name
            path.parent.mkdir()
            path.touch()
        return [str(problem) for problem in review(load_site(folder))]

    return told


def deeper(cm):
    """Return edits by which both sensors of T1 lie deeper, in the lower horizon."""
    rows = (("T1,10,voltage,mV,P1", cm), ("T1,10,voltage,mV,P2", cm), ("T1,30", cm + 20))
    wires = []
    for old, depth in rows:
        tube, _, *rest = old.split(",")
        wires.append((old, ",".join([tube, str(depth), *rest])))
    override = ("reference,10,23.5", f"reference,{cm},23.5")
    return {"wiring.csv": wires, "visits.csv": [override, ("swap,10", f"swap,{cm}")]}


def test_the_reach_is_that_of_a_sensor_at_a_horizons_edge():
    assert checks_layers.REACH_M == FELT_WITHIN_M


@pytest.mark.parametrize(("depth", "told"), [(10, False), (40, False), (41, True), (64, True)])
def test_a_layer_far_above_the_first_sensor_of_a_tube_is_told(warnings, depth, told):
    # By hand: the layer ends at 30 cm; 40 cm is 10 cm below it, the reach, and 41 beyond.
    found = [text for text in warnings(deeper(depth)) if "without a near sensor" in text]
    if not told:
        assert found == []
        return
    [text] = found
    assert text.startswith(
        "site.toml, line 53, key layer.0: found layer 'root-zone', 0 to 30 cm, without a near "
        f"sensor in tube 'T1' (nearest at {depth} cm, {depth - 30} cm away); expected a "
        "sensor within 10 cm of the layer. By above_first_sensor = 'constant'"
    )


def test_a_layer_that_gets_no_water_without_a_sensor_is_not_told(warnings):
    edits = {**deeper(64), "site.toml": [(RULES, f'{RULES}\nabove_first_sensor = "none"')]}
    assert [text for text in warnings(edits) if "without a near sensor" in text] == []


@pytest.mark.parametrize(("top", "tubes"), [(40, []), (41, ["T1"]), (46, ["T1", "T2"])])
def test_a_layer_far_below_the_last_sensor_is_told_by_real_depths(warnings, top, tubes):
    # By hand: the last sensors are at 30 cm in T1 and, set in by 5 cm, at 35 cm in T2.
    layer = LAYER.replace("= 0", f"= {top}").replace("= 30", "= 100")
    edits = [(LAYER, layer), (RULES, f'{RULES}\nbelow_last_sensor = "constant"')]
    found = [
        text for text in warnings({"site.toml": edits}) if "without a near sensor" in text
    ]
    assert len(found) == bool(tubes)
    for text in found:
        assert [tube for tube in ("T1", "T2") if f"tube '{tube}' (nearest" in text] == tubes
        assert "Set below_last_sensor = 'none'" in text


@pytest.mark.parametrize(
    ("deepest", "bottom", "rules", "told"),
    [
        ((0.3, 0.3, 0.3, 0.5), 0.3, {}, None),
        (
            (0.3, 0.3, 0.3, 0.5),
            0.4,
            {},
            "in 3 of 4 tubes that log: 'T0' (sensors from 10",
        ),
        ((0.3, 0.3, 0.5), 0.4, {}, None),  # two of three: meant for the third
        ((0.3, 0.3, 0.3, 0.5), 0.6, {}, None),  # below all sensors, which is told of all
        ((0.3, 0.3, 0.3, 0.5), 0.4, {"below_last_sensor": "constant"}, None),
        ((0.3, 0.5), 0.2, {"above_first_sensor": "none"}, "in 2 of 2 tubes that log"),
    ],
)
def test_a_layer_without_stored_water_in_most_tubes_is_told(deepest, bottom, rules, told):
    names = [f"T{n}" for n in range(len(deepest))]
    wires = [
        make_wire(tube, depth)
        for tube, last in zip(names, deepest, strict=True)
        for depth in (0.1, last)
    ]
    layer = Layer(name="L", top_m=0.0, bottom_m=bottom)
    site = make_site(
        tubes=tuple(map(make_tube, [*names, "by_hand"])),
        wiring=tuple(wires),
        derive=Derive(layers=(layer,)).model_copy(update=rules),
    )
    found = list(checks_layers.layers_without_water(site))
    assert [problem.place for problem in found] == (["key layer.0"] if told else [])
    assert all(told in problem.found for problem in found)
    for rule in rules if told else ():
        assert f"By {rule} = 'none' nothing is assumed" in found[0].advice


NOISE = '[sensor_noise]\nvoltage = "0.5 mV"\nroot_permittivity = 0.01\n'


@pytest.mark.parametrize(
    ("left", "place", "missing"),
    [
        (NOISE, "", None),
        ("", "[sensor_noise]", "'root_permittivity', 'voltage'"),
        ('[sensor_noise]\nvoltage = "0.5 mV"\n', "line 39, key sensor_noise", "'root_permitt"),
    ],
)
def test_signals_without_noise_are_told_in_one_line(warnings, left, place, missing):
    found = warnings({"site.toml": [(NOISE, left)]})
    if missing is None:
        assert found == []
        return
    [text] = found
    assert text.startswith(f"site.toml, {place}: found no noise of {missing}")
    assert "no random part of their uncertainty" in text


def test_soil_laws_without_an_error_are_told_in_one_line(warnings):
    # The probe law states none either: the soil law fitted through the probe has its error.
    bare = "coefficients = { slope = 0.12, offset = -0.2 }\nvalid = [1.5, 8.0]\n"
    other = "coefficients = { slope = 0.117, offset = -0.18 }\nvalid = [1.5, 8.0]\n"
    edits = [(f"{text}standard_error = 0.02\n", text) for text in (bare, other)]
    [text] = warnings({"calibrations.toml": edits})
    assert text.startswith(
        "calibrations.toml, line 22, key law.2: found no error stated by law 'topsoil version "
        "2', 'subsoil version 1'; expected 'standard_error' or 'covariance'"
    )


def test_a_probe_law_without_an_error_is_told_where_a_published_equation_follows(warnings):
    fitted = 'linear_root_permittivity"\ncoefficients = { slope = 0.12, offset = -0.2 }'
    published = {"calibrations.toml": [(f'form = "{fitted}', 'form = "topp_1980"')]}
    [text] = warnings(published)
    assert text.startswith(
        "calibrations.toml, line 1, key law.0: found no error stated by probe law "
        "'probe-batch version 1', which published equations follow"
    )
    sure = ("valid = [0.0, 1.0]", "valid = [0.0, 1.0]\nstandard_error = 0.02")
    published["calibrations.toml"].append(sure)
    assert warnings(published) == []


def test_fitted_forms_are_those_with_coefficients_to_fit():
    assert set(FITTED_FORMS) == {
        name
        for name, form in FORMS.items()
        if form.kind == "soil" and (form.fitted or form.series)
    }


def test_a_law_no_sensor_goes_through_may_leave_its_error_out(warnings):
    spare = (
        '[[law]]\nid = "spare"\nversion = 1\nkind = "soil"\nform = "topp_1980"\norigin = "x"\n'
    )
    first = '[[law]]\nid = "probe-batch"'
    assert warnings({"calibrations.toml": [(first, f"{spare}\n{first}")]}) == []
