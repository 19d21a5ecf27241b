"""The published schemas: sound by their standards, and of one mind with the reader of sites.

JSON Schemas are held against the meta-schema of draft 2020-12 by ``jsonschema``. Table Schemas
are applied by the few rules of the standard they use (datapackage.org/standard/table-schema).
"""

import csv
import datetime
import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

from pipeline.calibrate.forms import FORMS
from pipeline.calibrate.samples import read_samples
from pipeline.cli import app
from pipeline.errors import PercologError, SiteError
from pipeline.nights.night import open_description
from pipeline.schemas import SCHEMAS, rounds_schema, schema, write_schemas
from pipeline.site.settings import SECTIONS

ROOT = Path(__file__).parents[1]
SITES = [ROOT / "config", ROOT / "tests" / "site" / "field"]
SITES += sorted(
    path.parent for path in (ROOT / "tests/open_records/sites").glob("*/site.toml")
)
TOML = ("site.toml", "soils.toml", "calibrations.toml", "layouts")
CSV = ("tubes.csv", "wiring.csv", "visits.csv")
NUMBER = re.compile(r"[+-]?\d+(\.\d*)?([eE][+-]?\d+)?")


def as_json(value):
    """Return TOML data as editors hand them to a schema: dates are text."""
    if isinstance(value, dict):
        return {key: as_json(item) for key, item in value.items()}
    if isinstance(value, list):
        return [as_json(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def json_faults(name, text):
    checker = jsonschema.Draft202012Validator(schema(name))
    return [error.message for error in checker.iter_errors(as_json(tomllib.loads(text)))]


def table_faults(description, text):
    """Return what a table breaks: fieldsMatch "superset", and the constraints in use."""
    lines = [line for line in text.splitlines() if line.strip() and line[0] != "#"]
    rows = list(csv.DictReader(lines))
    fields = {field["name"]: field for field in description["fields"]}
    faults = [f"unknown column {name!r}" for name in (rows or [{}])[0] if name not in fields]
    for row in rows:
        for name, field in fields.items():
            faults += cell_faults(field, row.get(name) or "")
    keys = [tuple(row[key] for key in description.get("primaryKey", ())) for row in rows]
    return faults + ["a key twice"] * (keys != [()] * len(keys) and len(set(keys)) < len(keys))


def cell_faults(field, text):
    rules = field.get("constraints", {})
    if not text:
        return [f"{field['name']} required"] if rules.get("required") else []
    if field["type"] == "number" and not NUMBER.fullmatch(text):
        return [f"{field['name']}: no number"]
    broken = {
        "pattern": lambda rule: not re.fullmatch(rule, text),
        "enum": lambda rule: text not in rule,
        "minimum": lambda rule: float(text) < rule,
        "exclusiveMinimum": lambda rule: float(text) <= rule,
        "maximum": lambda rule: float(text) > rule,
        "required": lambda rule: False,
    }
    return [f"{field['name']}: {key}" for key, rule in rules.items() if broken[key](rule)]


@pytest.mark.parametrize("name", TOML)
def test_a_schema_is_sound_by_the_meta_schema(name):
    made = schema(name)
    jsonschema.Draft202012Validator.check_schema(made)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"  # printed there


@pytest.mark.parametrize("folder", SITES, ids=lambda folder: folder.name)
def test_sites_that_can_be_used_are_valid(folder):
    checked = 0
    for name in TOML[:3]:
        assert json_faults(name, (folder / name).read_text(encoding="utf-8")) == []
    for path in (folder / "layouts").glob("*.toml"):
        assert json_faults("layouts", path.read_text(encoding="utf-8")) == []
        checked += 1
    for name in CSV:
        path = folder / name
        if path.exists():
            assert table_faults(schema(name), path.read_text(encoding="utf-8")) == []
            checked += 1
    assert checked >= 3


def test_the_book_of_rounds_of_the_demo_is_valid_by_its_layouts_titles():
    text = (ROOT / "data/raw/rounds/rounds_2025.csv").read_text(encoding="utf-8")
    assert table_faults(rounds_schema({"direction": "direction_deg"}), text) == []
    assert "unknown column 'direction_deg'" in table_faults(rounds_schema(), text)


SAMPLES = (
    "time,tube,depth_cm,wet_g,dry_g,tare_g,volume_cm3,bulk_density,left_out\n"
    "2023-04-02T10:30,T1,10,241.5,208.2,62.1,100,,\n2023-04-02,T1,30,241.5,208.2,62.1,,1.42,\n"
)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("", ""),
        ("2023-04-02T10:30", "2.4.2023"),
        ("T1,10,", "T1,-10,"),
        ("T1,10,", ",10,"),
        ("241.5", "-241.5"),
        ("62.1,100", "62.1,0"),
        ("1.42", "dense"),
        ("depth_cm", "depth"),
    ],
)
def test_samples_are_refused_by_the_reader_and_the_schema_alike(make_site, old, new):
    folder = make_site({})
    text = SAMPLES.replace(old, new, 1) if old else SAMPLES
    (folder / "samples.csv").write_text(text, encoding="utf-8")
    site = open_description(folder)
    assert bool(table_faults(schema("samples"), text)) == bool(old)
    if old:
        with pytest.raises(SiteError):
            read_samples(folder / "samples.csv", site)
    else:
        assert len(read_samples(folder / "samples.csv", site)) == 2


# Each is refused by the reader and by the schema: file, text, spoilt text.
SPOILT = [
    ("site.toml", "[report]", "[reprot]"),
    ("site.toml", "interval =", "intervall ="),
    ("site.toml", 'interval = "15 min"', "interval = 15"),
    ("site.toml", 'interval = "15 min"', 'interval = "15 mni"'),
    ("site.toml", 'utc_offset = "+01:00"\ninterval', 'utc_offset = "+1"\ninterval'),
    ("site.toml", "start = 2023-03-01", 'start = "March"'),
    ("site.toml", 'kind = "table"', 'kind = "tables"'),
    ("site.toml", 'files = "logger-a/*.csv"', 'files = "../*.csv"'),
    ("site.toml", 'stamp = "end"', 'stamp = "after"'),
    ("site.toml", 'voltage = "0.5 mV"', 'volts = "0.5 mV"'),
    ("site.toml", "root_permittivity = 0.01", "root_permittivity = -0.01"),
    ("site.toml", "spike_suspect = 0.03", 'spike_suspect = "none"'),
    ("site.toml", "rate_suspect_per_h = 0.3", "rate_suspect = 0.3"),
    ("site.toml", 'why = "beside the track, wets fast"', ""),
    ("site.toml", "top_cm = 0", 'top_cm = "0"'),
    ("site.toml", "day_completeness = 0.8", "day_completeness = 1.8"),
    ("site.toml", "days = 90", "days = 0"),
    ("calibrations.toml", 'form = "table"', 'form = "tabel"'),
    ("layouts/analog.toml", "headerRowCount = 2", "headerRows = 2"),
    ("layouts/analog.toml", 'role = "stamp"', 'role = "time"'),
    ("tubes.csv", "T1,48.5,", "T1,98.5,"),
    ("tubes.csv", "T1,48.5,", "T 1,48.5,"),
    ("tubes.csv", "set_in_cm", "setin_cm"),
    ("tubes.csv", "2023-03-02T10:00", "2.3.2023"),
    ("wiring.csv", "T1,30,voltage", "T1,-30,voltage"),
    ("wiring.csv", "T1,30,voltage", "T1,30,volts"),
    ("visits.csv", "T1,,swap", "T1,,swapped"),
    ("visits.csv", "-40,s", "minus 40,s"),
]


@pytest.mark.parametrize(("file", "old", "new"), SPOILT)
def test_what_the_reader_refuses_in_one_file_the_schema_refuses_too(make_site, file, old, new):
    folder = make_site({file: [(old, new)]})
    text = (folder / file).read_text(encoding="utf-8")
    name = "layouts" if file.startswith("layouts/") else file
    faults = table_faults(schema(name), text) if name in CSV else json_faults(name, text)
    assert faults
    with pytest.raises(SiteError):
        open_description(folder)


ACCEPTED = [
    ("site.toml", "spike_fail = 0.06", 'spike_fail = "off"'),
    ("site.toml", 'interval = "15 min"', 'interval = "1 h"'),
    ("site.toml", "start = 2023-03-01", 'start = "2023-03-01"'),
    ("site.toml", "voltage = ", "rain = 0.1\nvoltage = "),
    ("layouts/analog.toml", "headerRowCount", "header_row_count"),
    ("layouts/analog.toml", "[dialect]", '[dialect]\nquoteChar = ""'),
    (
        "layouts/transcript.toml",
        "stamp =",
        'sentinels = [-99]\nstampPosition = "after"\nstamp =',
    ),
]


@pytest.mark.parametrize(("file", "old", "new"), ACCEPTED)
def test_what_the_reader_accepts_the_schema_accepts_too(make_site, file, old, new):
    folder = make_site({file: [(old, new)]})
    assert open_description(folder).id == "north-slope"
    name = "layouts" if file.startswith("layouts/") else file
    assert json_faults(name, (folder / file).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("form", sorted(FORMS))
def test_the_coefficients_of_every_form_are_those_the_schema_names(form):
    kind = FORMS[form]
    if form == "table":
        right = {"voltage": [0.0, 1.0], "root_permittivity": [1.0, 6.0]}
    else:
        right = {"c0": 1.0, "c1": 2.0} if kind.series else dict.fromkeys(kind.required, 1.0)
    law = {"id": "x", "version": 1, "kind": kind.kind, "form": form, "origin": "here"}
    checker = jsonschema.Draft202012Validator(schema("calibrations"))
    assert checker.is_valid({"law": [{**law, "coefficients": right}]})
    assert not checker.is_valid({"law": [{**law, "coefficients": {**right, "odd": 1.0}}]})
    other = "soil" if kind.kind == "probe" else "probe"
    assert not checker.is_valid({"law": [{**law, "kind": other, "coefficients": right}]})


def test_the_sections_are_those_the_reader_knows():
    assert set(schema("site.toml")["properties"]) == set(SECTIONS)


def keys_without_help(part, path=""):
    """Yield the keys of a schema that an editor could say nothing about."""
    for key, value in part.get("properties", {}).items():
        if not value.get("description") and "sensor_noise" not in path.lower():
            yield f"{path}.{key}"
    for name, inner in part.get("$defs", {}).items():
        yield from keys_without_help(inner, name)


@pytest.mark.parametrize("name", TOML)
def test_every_key_has_help(name):
    bare = [key for key in keys_without_help(schema(name)) if not key.startswith("_Noise.")]
    assert bare == []


def test_no_schema_speaks_of_nulls_which_toml_has_not():
    for name in TOML:
        assert '"null"}' not in json.dumps(schema(name)).replace('"null": ', "")


@pytest.mark.parametrize("name", ["site", "site.toml", "layout", "layouts", "wiring"])
def test_a_short_name_will_do(name):
    assert schema(name)["title"].startswith("percolog: ")


def test_an_unknown_schema_is_told_with_the_one_meant():
    with pytest.raises(
        PercologError, match=r"found schema 'wirings.csv'.*Did you mean 'wiring"
    ):
        schema("wirings.csv")


def test_written_files_are_the_schemas(tmp_path):
    paths = write_schemas(tmp_path / "schemas")
    assert [json.loads(path.read_text(encoding="utf-8")) for path in paths] == [
        schema(name) for name in SCHEMAS
    ]
    assert [path.name for path in write_schemas(tmp_path, "soils")] == ["soils.schema.json"]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [((), 0), (("site",), 0), (("stie",), 2), (("tubes", "--out", "made"), 0)],
)
def test_the_command_prints_lists_and_writes(tmp_path, arguments, code):
    out = [str(tmp_path / part) if part == "made" else part for part in arguments]
    ran = CliRunner().invoke(app, ["schema", *out])
    assert ran.exit_code == code
    if arguments == ("site",):
        assert json.loads(ran.stdout) == schema("site")
    elif not arguments:
        assert [line.split()[0] for line in ran.stdout.splitlines()] == list(SCHEMAS)
    elif code:
        assert "found schema 'stie'" in ran.stderr
    else:
        assert (tmp_path / "made" / "tubes.table.json").exists()
