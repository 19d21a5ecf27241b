"""docs/site-description.md: its example is a site, and it names every key and column."""

import re
import tomllib
from pathlib import Path

import pytest

from pipeline.calibrate.forms import FORMS
from pipeline.calibrate.laws import check_laws
from pipeline.derive.limits_texture import CLASSES
from pipeline.site import alerts, forms, instruments, models
from pipeline.site.checks import review
from pipeline.site.load import load_site
from pipeline.site.rows import (
    DECISION_COLUMNS,
    TUBE_COLUMNS,
    VISIT_COLUMNS,
    WIRE_COLUMNS,
)
from pipeline.site.translate import key_names
from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES, VARIABLES

PAGE = Path(__file__).parents[2] / "docs" / "site-description.md"
BLOCK = re.compile(r'^```(?:toml|csv) title="([^"]+)"\n(.*?)^```$', re.MULTILINE | re.DOTALL)
NUMBER = r"[\d.]+(?:e-\d+)?"
MODELS = [
    *(forms.SiteForm, forms.SourceForm, forms.ClockForm, forms.LayerForm, forms.OverrideForm),
    *(forms.UncertaintyForm, forms.SoilForm, forms.HorizonForm, forms.LawForm),
    *(models.Contact, models.QcLimits, models.Derive, models.Delivery, models.Report),
    models.Keep,
    *(alerts.Alerts, alerts.Mail, alerts.Webhook),
    instruments.Drift,
]
# Keys that are written as tables of their own.
TABLES = {"creator", "publisher", "clock", "horizon", "layers", "mail", "webhook"}


@pytest.fixture
def example(tmp_path):
    for name, text in BLOCK.findall(PAGE.read_text(encoding="utf-8")):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    raw = tmp_path / "data" / "logger" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.touch()
    return load_site(tmp_path)


def test_the_example_is_a_site_without_warnings(example):
    assert [wire.channel for wire in example.wiring] == ["mV_10", "mV_40", "rain"]
    assert review(example) == []
    assert check_laws(example) == []


def documented():
    """Return the words in code marks, and the last parts of dotted ones."""
    words = re.findall(r"`([^`\n]+)`", PAGE.read_text(encoding="utf-8"))
    return set(words) | {word.rsplit(".", 1)[-1] for word in words}


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_key_is_documented(model):
    assert set(key_names(model, ())) - TABLES <= documented()


@pytest.mark.parametrize(
    "columns", [TUBE_COLUMNS, WIRE_COLUMNS, VISIT_COLUMNS, DECISION_COLUMNS]
)
def test_every_column_is_documented(columns):
    assert {column.title for column in columns} <= documented()


def test_every_action_and_quantity_is_documented():
    words = {*models.VISIT_ACTIONS, *TUBE_QUANTITIES, *STATION_QUANTITIES}
    assert words <= documented()


@pytest.mark.parametrize("quantity", [*TUBE_QUANTITIES, *STATION_QUANTITIES])
def test_the_units_documented_are_those_inside(quantity):
    text = PAGE.read_text(encoding="utf-8").replace("\n", " ")
    unit = re.escape(VARIABLES[quantity].units)
    assert re.search(rf"`{quantity}` \({unit}( in the interval)?\)", text)


def test_the_defaults_of_thresholds_are_those_inside():
    text = PAGE.read_text(encoding="utf-8")
    section = text[text.index("### `[qc]`") : text.index("`[[qc.override]]` changes")]
    told = {}
    for keys, values in re.findall(r"^\| (`[^|]*)\|[^|]*\|([^|]*)\|$", section, re.M):
        found = re.findall(r"`([^`]+)`", values)
        told.update(zip(re.findall(r"`(\w+)`", keys), found, strict="`" in values))
    told.pop("why", None)
    inside = models.QcLimits().model_dump(exclude={"why"})
    numbers = {
        key: [None] if value == '"off"' else [float(n) for n in re.findall(NUMBER, value)]
        for key, value in told.items()
    }
    assert numbers == {
        key: list(value) if isinstance(value, tuple) else [value]
        for key, value in inside.items()
    }


def test_every_form_of_a_law_and_class_of_texture_is_documented():
    properties = {name for form in FORMS.values() for name in form.properties + form.optional}
    assert {*FORMS, *CLASSES, *properties} <= documented()


def rows():
    """Yield key and default of the rows that tell as many defaults as keys."""
    text = PAGE.read_text(encoding="utf-8")
    for first, last in re.findall(r"^\| (`[^|]*)\|[^|]*\|([^|]*)\|$", text, re.M):
        keys, values = (re.findall(r"`([^`]+)`", cell) for cell in (first, last))
        if values and len(keys) == len(values) and last.count("`") == 2 * len(values):
            yield from zip(keys, values, strict=True)


def test_defaults_are_those_inside():
    """A value in code marks is TOML; whose key is another's too counts where one has it."""
    inside = {}
    for model in MODELS:
        for name, field in model.model_fields.items():
            inside.setdefault(name, []).append(field.default)
    compared = 0
    for key, value in rows():
        name = key.rsplit(".", 1)[-1]
        if name in inside and re.match(r'["\d\[]|true|false', value):
            told = tomllib.loads(f"x = {value}")["x"]
            told = tuple(told) if isinstance(told, list) else None if told == "off" else told
            assert told in inside[name], key
            compared += 1
    assert compared > 40
