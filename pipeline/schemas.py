"""The schemas of a site description, for editors and for checks outside this project.

JSON Schemas (draft 2020-12) of the TOML files and Table Schemas (Frictionless) of the CSVs.
They are made from the forms, models and columns by which the files are read, each time they
are asked for, so that they cannot drift from them. A schema knows one file at a time; what
must hold between files is told by ``percolog check``.

References
----------
JSON Schema, draft 2020-12, json-schema.org; Table Schema, datapackage.org.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, Field, WithJsonSchema, create_model

from pipeline.calibrate.forms import FORMS
from pipeline.calibrate.samples import CELL_SCHEMAS as SAMPLE_CELLS
from pipeline.calibrate.samples import COLUMNS as SAMPLE_COLUMNS
from pipeline.deliver.atomic import replacing
from pipeline.errors import PercologError
from pipeline.ingest.rounds import DEPTH, DIRECTION, READER, TUBE
from pipeline.site.alerts import Alerts
from pipeline.site.forms import (
    Form,
    LawForm,
    LayerForm,
    OverrideForm,
    SiteForm,
    SoilForm,
    SourceForm,
    UncertaintyForm,
)
from pipeline.site.help_layouts import LAYOUT_HELP
from pipeline.site.help_texts import COLUMN_HELP, LAWS_HELP, SITE_HELP, SOILS_HELP
from pipeline.site.instruments import Drift
from pipeline.site.layout import (
    Column,
    Datatype,
    Dialect,
    Layout,
    RoundsForm,
    TableSchema,
    TranscriptForm,
)
from pipeline.site.limits import OFF
from pipeline.site.mistakes import did_you_mean, one_of
from pipeline.site.models import (
    Decision,
    Delivery,
    Derive,
    Identifier,
    Keep,
    QcLimits,
    Report,
    Tube,
    Visit,
    Wire,
)
from pipeline.site.rows import (
    CELL_SCHEMAS,
    DECISION_COLUMNS,
    DEPTH_SCHEMA,
    TUBE_COLUMNS,
    VISIT_COLUMNS,
    WIRE_COLUMNS,
)
from pipeline.site.tables import TableColumn
from pipeline.site.values import NOISE_SCHEMA, Schema
from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_SERIES = r"^c\d+$"


class _QcForm(QcLimits):
    """``[qc]`` with its overrides."""

    override: tuple[OverrideForm, ...] = ()


_NOISES: dict[str, Any] = {
    quantity: (Annotated[Any, WithJsonSchema(NOISE_SCHEMA)], None)
    for quantity in (*TUBE_QUANTITIES, *STATION_QUANTITIES)
}
# Made here, of a list of names: to the type checker a value and no class.
_Noise = create_model("_Noise", __base__=Form, **_NOISES)


class _SiteFile(Form):
    """Settings of a site."""

    site: SiteForm
    source: tuple[SourceForm, ...] = Field(min_length=1)
    sensor_noise: _Noise | None = None  # type: ignore[valid-type]
    uncertainty: UncertaintyForm | None = None
    drift: Drift | None = None
    qc: _QcForm | None = None
    layer: tuple[LayerForm, ...] = Field(min_length=1)
    derive: Derive | None = None
    delivery: Delivery | None = None
    report: Report | None = None
    keep: Keep | None = None
    alerts: Alerts | None = None


class _SoilsFile(Form):
    """Soil profiles of a site."""

    soil: dict[Identifier, SoilForm]


class _LawsFile(Form):
    """Calibration laws of a site."""

    law: tuple[LawForm, ...]


# Under which name the keys of each model stand in the help texts.
_SITE_NAMES = {
    "SiteForm": "site",
    "Contact": "contact",
    "SourceForm": "source",
    "ClockForm": "source.clock",
    "UncertaintyForm": "uncertainty",
    "_QcForm": "qc",
    "OverrideForm": "qc.override",
    "LayerForm": "layer",
    "Derive": "derive",
    "Delivery": "delivery",
    "Drift": "drift",
    "Report": "report",
    "Keep": "keep",
    "Alerts": "alerts",
    "Mail": "alerts.mail",
    "Webhook": "alerts.webhook",
}
_LAW_NAMES = {"LawForm": "law", "Warmth": "law.temperature"}
_LAYOUT_MODELS: dict[type[BaseModel], str] = {
    Dialect: "dialect",
    TableSchema: "tableSchema",
    Column: "column",
    Datatype: "datatype",
    TranscriptForm: "transcript",
    RoundsForm: "rounds",
}


def site_schema() -> Schema:
    """Return the JSON Schema of ``site.toml``."""
    schema = _json_schema("site.toml", _SiteFile, SITE_HELP, _SITE_NAMES)
    parts = schema["$defs"]
    derive = parts["Derive"]  # layers are tables of their own
    del derive["properties"]["layers"]
    derive.pop("required", None)
    limits = parts["_QcForm"]["properties"]
    parts["OverrideForm"]["properties"]["set"] |= {
        "additionalProperties": False,
        "minProperties": 1,
        "properties": {k: v for k, v in limits.items() if k not in ("why", "override")},
    }
    del parts["Layer"]
    return schema


def soils_schema() -> Schema:
    """Return the JSON Schema of ``soils.toml``."""
    names = {"SoilForm": "soil", "HorizonForm": "soil.horizon"}
    schema = _json_schema("soils.toml", _SoilsFile, SOILS_HELP, names)
    schema["properties"]["soil"]["additionalProperties"] = False
    return schema


def laws_schema() -> Schema:
    """Return the JSON Schema of ``calibrations.toml``, with the coefficients of each form."""
    schema = _json_schema("calibrations.toml", _LawsFile, LAWS_HELP, _LAW_NAMES)
    law = schema["$defs"]["LawForm"]
    law["properties"]["form"]["enum"] = sorted(FORMS)
    law["allOf"] = [_coefficients(name) for name in sorted(FORMS)]
    return schema


def _coefficients(name: str) -> Schema:
    """Return what a law of one form must have besides."""
    form = FORMS[name]
    number = {} if name == "table" else {"type": "number"}
    wanted = [key for key in form.required if key not in form.properties]
    inside: Schema = {"additionalProperties": False}
    if form.series:
        inside |= {"patternProperties": {_SERIES: number}, "minProperties": 1}
    else:
        inside["properties"] = {key: number for key in (*form.required, *form.optional)}
    if wanted:
        inside["required"] = wanted
    then: Schema = {"properties": {"kind": {"const": form.kind}, "coefficients": inside}}
    if wanted or form.series:
        then["required"] = ["coefficients"]
    is_it = {"properties": {"form": {"const": name}}, "required": ["form"]}
    return {"if": is_it, "then": then}


def layout_schema() -> Schema:
    """Return the JSON Schema of a file in ``layouts/``."""
    names = {model.__name__: name for model, name in _LAYOUT_MODELS.items()}
    schema = _json_schema("layouts", Layout, LAYOUT_HELP, names)
    schema["required"].remove("id")
    if not schema["required"]:
        del schema["required"]
    _accept_other_spelling(schema["properties"], Layout)
    for model in _LAYOUT_MODELS:
        _accept_other_spelling(schema["$defs"][model.__name__]["properties"], model)
    return schema


def _accept_other_spelling(keys: Schema, model: type[BaseModel]) -> None:
    """Let keys be written as Python spells them too, as the reader does."""
    for name, field in model.model_fields.items():
        if field.alias and field.alias != name:
            keys[name] = {**keys[field.alias], "deprecated": True}


def _json_schema(
    file: str, model: type[BaseModel], help_texts: Mapping[str, str], names: Mapping[str, str]
) -> Schema:
    """Return the schema of a TOML file, from the model by which it is read."""
    made = model.model_json_schema(by_alias=True)
    for name, part in made.get("$defs", {}).items():
        _tidy(part, names.get(name, name), help_texts)
    _tidy(made, "", help_texts)
    heading = {"$schema": DRAFT, "$id": f"urn:percolog:{file}", "title": f"percolog: {file}"}
    return {**heading, **{key: made[key] for key in made if key != "title"}}


def _tidy(table: Schema, name: str, help_texts: Mapping[str, str]) -> None:
    """Make a model's schema that of a TOML table: no nulls, help in place of docstrings."""
    table.pop("title", None)
    table.pop("description", None)
    off = {"const": OFF} if name == "qc" else None
    for key, value in table.get("properties", {}).items():
        _without_null(value, off)
        value.pop("title", None)
        text = help_texts.get(f"{name}.{key}" if name else key)
        if text:
            value["description"] = text


def _without_null(value: Schema, instead: Schema | None) -> None:
    """Take "no value" out of a key's schema: TOML has none, a key is left out."""
    if value.get("default", "") is None or isinstance(value.get("default"), dict):
        del value["default"]
    options = value.get("anyOf")
    if not options or {"type": "null"} not in options:
        return
    kept = [option for option in options if option != {"type": "null"}]
    kept += [instead] if instead else []
    del value["anyOf"]
    value.update(kept[0] if len(kept) == 1 else {"anyOf": kept})


def table_schema(
    file: str, columns: tuple[TableColumn, ...], model: type[BaseModel]
) -> Schema:
    """Return the Table Schema of one of the CSV files."""
    limits = model.model_json_schema()["properties"]
    fields = [_field(file, column, limits.get(column.field, {})) for column in columns]
    return _table(file, fields)


def samples_schema() -> Schema:
    """Return the Table Schema of ``samples.csv``, from which laws are fitted."""
    fields = []
    for column in SAMPLE_COLUMNS:
        read = SAMPLE_CELLS[column.read]
        needed: Schema = {"required": True} if column.required else {}
        rules = {**read.get("constraints", {}), **needed}
        fields.append(_described("samples.csv", column.title, read["type"], rules))
    return _table("samples.csv", fields)


def _field(file: str, column: TableColumn, limits: Schema) -> Schema:
    """Return a column: how it is read, with the limits the model sets."""
    read = CELL_SCHEMAS[column.read]
    constraints: Schema = dict(read.get("constraints", {}))
    if column.title == column.field:  # else in another unit
        known = {"pattern", "minimum", "maximum"}
        constraints |= {key: limits[key] for key in known & limits.keys()}
    if column.required:
        constraints["required"] = True
    return _described(file, column.title, read["type"], constraints)


def _described(file: str, name: str, kind: str, constraints: Schema) -> Schema:
    text = COLUMN_HELP[f"{file}.{name}"]
    rules = {"constraints": dict(sorted(constraints.items()))} if constraints else {}
    return {"name": name, "type": kind, "description": text, **rules}


def _table(file: str, fields: list[Schema]) -> Schema:
    """Return a table schema: columns in any order, optional ones may be left out."""
    head: Schema = {"title": f"percolog: {file}", "fieldsMatch": "superset"}
    keys: Schema = {"primaryKey": ["tube"]} if file == "tubes.csv" else {}
    return {**head, "missingValues": [""], **keys, "fields": fields}


def rounds_schema(titles: Mapping[str, str] | None = None) -> Schema:
    """Return the Table Schema of a book of hand rounds, one reading a row.

    Parameters
    ----------
    titles : mapping of str to str, optional
        Title in the file of each column, where a layout names it otherwise.
    """
    parts: dict[str, tuple[str, Schema]] = {
        "time": ("string", {"required": True}),
        TUBE: ("string", {"required": True}),
        DIRECTION: ("string", {}),
        READER: ("string", {}),
        DEPTH: ("number", {**DEPTH_SCHEMA["constraints"], "required": True}),
        "value": ("number", {}),
    }
    fields = [_described("rounds.csv", name, *part) for name, part in parts.items()]
    for field in fields:
        field["name"] = (titles or {}).get(field["name"], field["name"])
    return _table("rounds.csv", fields)


# What can be asked for, and the name of the file it is written to.
SCHEMAS: dict[str, tuple[str, Callable[[], Schema]]] = {
    "site.toml": ("site.schema.json", site_schema),
    "soils.toml": ("soils.schema.json", soils_schema),
    "calibrations.toml": ("calibrations.schema.json", laws_schema),
    "layouts": ("layout.schema.json", layout_schema),
    "tubes.csv": ("tubes.table.json", lambda: table_schema("tubes.csv", TUBE_COLUMNS, Tube)),
    "wiring.csv": (
        "wiring.table.json",
        lambda: table_schema("wiring.csv", WIRE_COLUMNS, Wire),
    ),
    "visits.csv": (
        "visits.table.json",
        lambda: table_schema("visits.csv", VISIT_COLUMNS, Visit),
    ),
    "decisions.csv": (
        "decisions.table.json",
        lambda: table_schema("decisions.csv", DECISION_COLUMNS, Decision),
    ),
    "rounds.csv": ("rounds.table.json", rounds_schema),
    "samples.csv": ("samples.table.json", samples_schema),
}


def schema(name: str) -> Schema:
    """Return a schema by the name of the file it is for; ``site`` will do for ``site.toml``.

    Raises
    ------
    PercologError
        If there is no such file in a site description.
    """
    return SCHEMAS[_full_name(name)][1]()


def _full_name(name: str) -> str:
    for full in SCHEMAS:
        if name in (full, full.split(".")[0], full.rstrip("s")):
            return full
    advice = did_you_mean(name, SCHEMAS)
    told = f"found schema {name!r}; expected {one_of(SCHEMAS)}. {advice}"
    raise PercologError(told.rstrip())


def schema_text(name: str) -> str:
    """Return a schema as the text of a JSON file."""
    return json.dumps(schema(name), indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: Path, name: str = "") -> list[Path]:
    """Write one schema, or all of them, into a folder; return the files.

    Raises
    ------
    PercologError
        If there is no schema of that name.
    """
    chosen = [_full_name(name)] if name else list(SCHEMAS)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for full in chosen:
        paths.append(folder / SCHEMAS[full][0])
        with replacing(paths[-1]) as temporary:
            temporary.write_text(schema_text(full), encoding="utf-8")
    return paths
