"""The tables: tubes.csv, wiring.csv, visits.csv and decisions.csv."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from pipeline.errors import Problem
from pipeline.site.draft import Draft, Placed
from pipeline.site.mistakes import BadValueError, RowSpot, one_of, show
from pipeline.site.models import VISIT_ACTIONS, Decision, Tube, Visit, Wire
from pipeline.site.split_numbers import number_titles, split_numbers
from pipeline.site.tables import (
    CellContext,
    Row,
    TableColumn,
    TextTable,
    is_enough,
    read_cells,
    read_table,
)
from pipeline.site.translate import validate
from pipeline.site.values import INSTANT_SCHEMA, choose, parse_instant, parse_number
from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES

M = TypeVar("M", bound=BaseModel)

_DEEPEST_CM = 10_000.0
VERDICTS = ("keep", "reject", "sound", "use with care", "do not use")
_QUANTITIES = [*TUBE_QUANTITIES, *STATION_QUANTITIES]


def _text(text: str, context: CellContext) -> str:
    return text


def _number(text: str, context: CellContext) -> float:
    return parse_number(text, context.decimal_comma)


def _instant(text: str, context: CellContext) -> object:
    return parse_instant(text, context.offset_s)


def _metres(text: str, context: CellContext) -> float:
    """Return centimetres as metres, rounded to 0.1 mm so that 30 cm is 0.3 exactly."""
    return round(_number(text, context) / 100, 4)


def _depth(text: str, context: CellContext) -> float:
    if not 0 <= _number(text, context) <= _DEEPEST_CM:
        raise BadValueError(
            f"a depth from 0 to {_DEEPEST_CM:.0f} cm", "Depths count downwards."
        )
    return _metres(text, context)


def _quantity(text: str, context: CellContext) -> str:
    return choose(text, _QUANTITIES)


def _action(text: str, context: CellContext) -> str:
    return choose(text, list(VISIT_ACTIONS))


def _verdict(text: str, context: CellContext) -> str:
    return choose(text, list(VERDICTS))


DEPTH_SCHEMA: dict[str, Any] = {
    "type": "number",
    "constraints": {"minimum": 0, "maximum": _DEEPEST_CM},
}
# How each kind of cell is written, in the words of Table Schema, for `pipeline.schemas`.
CELL_SCHEMAS: dict[Callable[[str, CellContext], Any], dict[str, Any]] = {
    _text: {"type": "string"},
    _number: {"type": "number"},
    _metres: {"type": "number"},
    _depth: DEPTH_SCHEMA,
    _instant: {"type": "string", "constraints": {"pattern": INSTANT_SCHEMA["pattern"]}},
    _quantity: {"type": "string", "constraints": {"enum": _QUANTITIES}},
    _action: {"type": "string", "constraints": {"enum": list(VISIT_ACTIONS)}},
    _verdict: {"type": "string", "constraints": {"enum": list(VERDICTS)}},
}

TUBE_COLUMNS = (
    TableColumn("tube", "tube", _text, required=True),
    TableColumn("latitude", "latitude", _number, required=True),
    TableColumn("longitude", "longitude", _number, required=True),
    TableColumn("elevation_m", "elevation_m", _number, required=True),
    TableColumn("installed", "installed", _instant, required=True),
    TableColumn("removed", "removed", _instant),
    TableColumn("set_in_cm", "set_in_m", _metres),
    TableColumn("depth_uncertainty_cm", "depth_uncertainty_m", _metres),
    TableColumn("soil", "soil", _text, required=True),
    TableColumn("group", "group", _text),
    TableColumn("note", "note", _text),
)
WIRE_COLUMNS = (
    TableColumn("source", "source", _text, required=True),
    TableColumn("channel", "channel", _text, required=True),
    TableColumn("tube", "tube", _text),
    TableColumn("depth_cm", "depth_m", _depth),
    TableColumn("quantity", "quantity", _quantity, required=True),
    TableColumn("unit", "unit", _text, required=True),
    TableColumn("probe", "probe", _text),
    TableColumn("from", "start", _instant),
    TableColumn("until", "until", _instant),
)
VISIT_COLUMNS = (
    TableColumn("time", "time", _instant, required=True),
    TableColumn("tube", "tube", _text),
    TableColumn("source", "source", _text),
    TableColumn("action", "action", _action, required=True),
    TableColumn("depth_cm", "depth_m", _depth),
    TableColumn("value", "value", _number),
    TableColumn("unit", "unit", _text),
    TableColumn("reading", "reading", _number),
    TableColumn("uncertainty", "uncertainty", _number),
    TableColumn("note", "note", _text),
    TableColumn("who", "who", _text),
)
DECISION_COLUMNS = (
    TableColumn("tube", "tube", _text, required=True),
    TableColumn("depth_cm", "depth_m", _depth),
    TableColumn("from", "start", _instant, required=True),
    TableColumn("until", "until", _instant, required=True),
    TableColumn("verdict", "verdict", _verdict, required=True),
    TableColumn("why", "why", _text, required=True),
    TableColumn("who", "who", _text, required=True),
)


@dataclass(frozen=True)
class _Form:
    """A table's columns, what they leave out of a row's model, and names from other files."""

    columns: tuple[TableColumn, ...]
    complete: Callable[[dict[str, object], int], dict[str, object]]
    named: Mapping[str, Collection[str]] = field(default_factory=dict)  # in other files


def _numbered(values: dict[str, object], line: int) -> dict[str, object]:
    return {"row": line, **values}


def _wired(values: dict[str, object], line: int) -> dict[str, object]:
    return {"row": line, "tube": "", "depth_m": None, **values}


def read_tubes(folder: Path, offset_s: int, draft: Draft) -> None:
    """Read ``tubes.csv`` into the draft."""
    table = read_table(folder / "tubes.csv", "tubes.csv", TUBE_COLUMNS, draft.problems)
    if table is not None:
        names = {row.cells.get("tube", "") for row in table.rows} - {""}
        draft.tube_names = names if table.whole else None
        soils = {} if draft.soil_names is None else {"soil": draft.soil_names}
        form = _Form(TUBE_COLUMNS, _numbered, soils)
        draft.tubes = _read_rows(Tube, table, form, offset_s, draft.problems)


def read_wiring(folder: Path, offset_s: int, draft: Draft) -> None:
    """Read ``wiring.csv`` into the draft."""
    table = read_table(folder / "wiring.csv", "wiring.csv", WIRE_COLUMNS, draft.problems)
    if table is not None:
        form = _Form(WIRE_COLUMNS, _wired)
        draft.wires = _read_rows(Wire, table, form, offset_s, draft.problems)


def read_visits(folder: Path, offset_s: int, draft: Draft) -> None:
    """Read ``visits.csv`` into the draft; a site may have none."""
    path = folder / "visits.csv"
    if not path.exists():
        return
    table = read_table(path, "visits.csv", VISIT_COLUMNS, draft.problems)
    if table is not None:
        form = _Form(VISIT_COLUMNS, _numbered)
        draft.visits = _read_rows(Visit, table, form, offset_s, draft.problems)


def read_decisions(folder: Path, offset_s: int, draft: Draft) -> None:
    """Read ``decisions.csv`` into the draft; a site may have none."""
    path = folder / "decisions.csv"
    if not path.exists():
        return
    table = read_table(path, "decisions.csv", DECISION_COLUMNS, draft.problems)
    if table is not None:
        form = _Form(DECISION_COLUMNS, _numbered)
        draft.decisions = _read_rows(Decision, table, form, offset_s, draft.problems)


def _read_rows(
    model: type[M], table: TextTable, form: _Form, offset_s: int, problems: list[Problem]
) -> list[Placed[M]]:
    """Return the rows that are right in themselves."""
    numbers = number_titles(form.columns, CELL_SCHEMAS)
    read = _reader(model, table, form, offset_s)

    def read_strictly(row: Row, problems: list[Problem]) -> None:
        read(row, problems)
        problems.extend(_unknown(row, form))

    found: list[Placed[M]] = []
    before = len(problems)
    for row in table.rows:
        spot = RowSpot(table.name, row.line)
        told: list[Problem] = []
        item = read(row, told)
        if not table.decimal_comma:
            many = len(told) + len(_unknown(row, form))
            told = split_numbers(row, spot, numbers, many, read_strictly) or told
        problems.extend(told)
        if item is not None and not told:
            found.append(Placed(item, spot))
        if is_enough(spot, before, problems):
            break
    return found


def _reader(
    model: type[M], table: TextTable, form: _Form, offset_s: int
) -> Callable[[Row, list[Problem]], M | None]:
    """Return a function that reads a row, adding what is wrong with it in itself."""
    context = CellContext(offset_s, table.decimal_comma)
    titles = {column.field: column.title for column in form.columns}

    def read(row: Row, problems: list[Problem]) -> M | None:
        spot = RowSpot(table.name, row.line)
        values, bad = read_cells(row, spot, form.columns, context, problems)
        complete = form.complete(values, row.line)
        return validate(model, complete, spot, problems, titles, bad)

    return read


def _unknown(row: Row, form: _Form) -> list[Problem]:
    """Return the names in a row that another file should describe and does not."""
    return [
        RowSpot("", row.line).problem(title, show(row.cells[title]), one_of(names))
        for title, names in form.named.items()
        if row.cells.get(title, "") not in ("", *names)
    ]
