"""What pydantic finds wrong with a model, told as `pipeline.errors.Problem`."""

from __future__ import annotations

import re
import typing
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.errors import Problem
from pipeline.site.mistakes import (
    BadValueError,
    Path,
    Spot,
    did_you_mean,
    nearest,
    one_of,
    show,
)

M = TypeVar("M", bound=BaseModel)

_IDENTIFIER = (
    "a name of letters a to z or A to Z, digits, '_', '-' and '.', beginning with a letter or "
    "digit, at most 64 long"
)
_QUOTED = re.compile(r"'([^']*)'")
# Keys that are written one table away from their own.
_ELSEWHERE = {
    key: "Put it into [tableSchema.othersDatatype], or into a column's datatype."
    for key in ("decimalChar", "groupChar", "format")
}
# What keys with bounds are in, where people have other habits.
_UNITS_OF = {
    "bulk_density": "It is in g cm-3, such as 1.48.",
    "saturation": "It is in m3 m-3, such as 0.41.",
    "day_completeness": "It is a share, such as 0.75.",
    "latitude": "Degrees with decimals, north positive.",
    "longitude": "Degrees with decimals, east positive.",
}
_PLAIN_WORDS = {
    "model_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list",
    "list_type": "a list",
    **dict.fromkeys(("float_type", "float_parsing"), "a number"),
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float"), "a whole number"),
    **dict.fromkeys(("bool_type", "bool_parsing"), "true or false"),
    "string_type": "text in quotes",
    "finite_number": "a finite number",
    "string_too_short": "some text",
}


def validate(
    model: type[M],
    data: object,
    spot: Spot,
    problems: list[Problem],
    columns: dict[str, str] | None = None,
    absent: frozenset[str] = frozenset(),
) -> M | None:
    """Return ``data`` as ``model``, or None after adding a problem for every mistake.

    Parameters
    ----------
    model : type of BaseModel
        What the data should be.
    data : any
        As read.
    spot : Spot
        Where the data stand.
    problems : list of Problem
        Mistakes are added here.
    columns : dict of str to str, optional
        Column in the file of each field, where the names differ.
    absent : frozenset of str
        Fields already reported by the caller; that they are missing is not told again.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        items = error.errors(include_url=False)
        respelled = {_suggested(item, model) for item in items}
        for item in items:
            told = item["loc"] in respelled or (item["loc"] or ("",))[-1] in absent
            if not (item["type"] == "missing" and told):
                problems.append(_problem(item, model, spot, columns or {}))
        return None


def _suggested(item: ErrorDetails, model: type[BaseModel]) -> Path:
    """Return the path of the key that an unknown one was meant for."""
    if item["type"] != "extra_forbidden":
        return ()
    *table, key = item["loc"]
    name = nearest(str(key), key_names(model, tuple(table)))
    return (*table, name) if name else ()


def _problem(
    item: ErrorDetails, model: type[BaseModel], spot: Spot, columns: dict[str, str]
) -> Problem:
    path: Path = tuple(columns.get(str(part), part) for part in item["loc"])
    kind, last = item["type"], str(path[-1]) if path else ""
    if kind == "missing":
        return spot.problem(path, "nothing", f"a value for {last!r}")
    if kind == "extra_forbidden":
        names = key_names(model, item["loc"][:-1])
        found = f"unknown key {show(last)}"
        advice = did_you_mean(last, names) or _ELSEWHERE.get(last, "")
        return spot.problem(path, found, one_of(names), advice)
    expected, advice = _expectation(item)
    return spot.problem(path, show(item["input"]), expected, advice)


def _expectation(item: ErrorDetails) -> tuple[str, str]:
    """Return what was expected, and advice."""
    kind, context = item["type"], item.get("ctx", {})
    cause = context.get("error")
    if isinstance(cause, BadValueError):
        return cause.expected, cause.advice
    if kind == "literal_error":
        options = _QUOTED.findall(str(context.get("expected", "")))
        return one_of(options), did_you_mean(item["input"], options)
    if kind == "string_pattern_mismatch":
        return _IDENTIFIER, ""
    if kind in _PLAIN_WORDS:
        one = kind in ("list_type", "tuple_type") and isinstance(item["input"], str)
        return _PLAIN_WORDS[kind], f'Write ["{item["input"]}"].' if one else ""
    if kind == "value_error":
        return "a value that can be used", f"{cause}."
    message = item["msg"].removeprefix("Input should be ")
    key = str(item["loc"][-1]) if item["loc"] else ""
    return message[:1].lower() + message[1:], _UNITS_OF.get(key, "")


def key_names(model: type[BaseModel], path: Path) -> list[str]:
    """Return the keys a table accepts as a person writes them; ``path`` leads to it."""
    current: type[BaseModel] | None = model
    for part in path:
        if isinstance(part, str) and current is not None:
            current = _model_of(current, part)
    if current is None:
        return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _model_of(model: type[BaseModel], key: str) -> type[BaseModel] | None:
    for name, field in model.model_fields.items():
        if key in (name, field.alias):
            return _inner_model(field.annotation)
    return None


def _inner_model(annotation: object) -> type[BaseModel] | None:
    """Return the model inside ``tuple[Model, ...]``, ``Model | None`` and the like."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in typing.get_args(annotation):
        found = _inner_model(part)
        if found is not None:
            return found
    return None
