"""A trace as text for a person, from the value down to the raw line."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from pipeline.console import table
from pipeline.errors import clean
from pipeline.lineage.rows_text import options, row_head, row_text
from pipeline.lineage.view import CELL_VALUES

_STEPS_SHOWN = 8
_ERRORS = (("random_error", "random"), ("systematic_error", "systematic"))
_STORAGE_ERRORS = (
    ("storage_random_error", "random"),
    ("storage_systematic_error", "systematic"),
)
_UNKNOWN = {
    "random": "the site states no noise of a signal behind it ([sensor_noise] of site.toml)",
    "systematic": "a law behind it states no error (covariance, standard_error)",
}


def trace_text(account: Mapping[str, Any]) -> str:
    """Return a trace as lines; control characters of files and names are spelled out."""
    is_row = "rests_on" in account
    lines = [
        *(row_head(account) if is_row else _head(account)),
        *_delivered(account),
        *(row_text(account) if is_row else ()),
        *_quality(account),
        *_calibration(account),
        *_origin(account),
        *_superseded(account),
        *_of_round(account),
        *_cells(account),
        *_day(account),
        *(f"note         {remark}" for remark in account["remarks"]),
    ]
    return "\n".join(clean(line) for line in lines)


def _head(account: Mapping[str, Any]) -> Iterator[str]:
    cell, value = account["cell"], account["value"]
    where = cell.get("tube") or cell.get("station")
    if "nominal_depth_m" in cell:
        where = f"{where}, {_cm(cell['nominal_depth_m'])} cm"
        if cell["real_depth_m"] != cell["nominal_depth_m"]:
            where = f"{where} (really {_cm(cell['real_depth_m'])} cm)"
    if cell.get("direction_deg") is not None:
        where = f"{where}, direction {cell['direction_deg']:g} degrees"
    if "layer" in account:
        layer = account["layer"]
        where = (
            f"{where}, layer {layer['name']} {_cm(layer['top_m'])}-{_cm(layer['bottom_m'])} cm"
        )
    yield f"{account['site']}: {where}, {cell['time']}"
    if cell["asked_off_by_s"]:
        what = "reading" if account["product"] == "hand_reading" else "step"
        yield f"             the nearest {what}; asked for {account['asked']['time']}"
    name = CELL_VALUES[account["product"]]
    errors = _STORAGE_ERRORS if "storage" in account["product"] else _ERRORS
    known = [f"{word} error {_n(value[key])}" for key, word in errors if key in value]
    told = "no value" if value[name] is None else f"{_n(value[name])} {value['units']}"
    yield f"value        {', '.join([told, *known])}"
    for key, word in errors:
        if value[name] is not None and key in value and value[key] is None:
            yield f"             no {word} error: {_UNKNOWN[word]}"
    yield from _error_parts(account.get("systematic_parts"))
    if account["why_missing"]:
        yield f"why          {account['why_missing']}"
    calibrated = value.get("calibrated_water_content")
    if calibrated != value.get("cleaned_water_content", calibrated):
        yield f"calibrated   {_n(calibrated)} m3 m-3"
    state = account["state"]
    yield f"state        {state['commit']}, written {state['written']}"


def _error_parts(parts: Mapping[str, Any] | None) -> Iterator[str]:
    if parts:
        yield (
            f"             systematic in quadrature: laws {_n(parts['laws'])}, depth "
            f"(uncertain by {_cm(parts['depth_uncertainty_m'])} cm) {_n(parts['depth'])}, "
            f"drift {_n(parts['drift'])}, temperature {_n(parts['temperature'])}"
        )


def _delivered(account: Mapping[str, Any]) -> Iterator[str]:
    found = account.get("delivered")
    if found:
        yield f"delivered    {found['file']}, field {found['field']}: {_n(found['value'])}"
        yield f"             {found['said']} (stored {_n(found['stored'])})"


def _quality(account: Mapping[str, Any]) -> Iterator[str]:
    if "quality" not in account:
        return
    quality = account["quality"]
    yield f"quality      {quality['flag']} {quality['meaning']}"
    for test in account.get("tests", ()):
        yield f"test         {test['test']}: {test['said']}"
        limits = ", ".join(f"{name} {_limit(x)}" for name, x in test["limits"].items())
        yield f"             limits: {limits}"
        for seen in test["looked_at"]:
            yield f"             {seen['time']}  {_n(seen['value'])}  {seen['what']}"
    for correction in account.get("corrections", ()):
        yield f"correction   {correction['kind']}: {correction['reason']}"


def _calibration(account: Mapping[str, Any]) -> Iterator[str]:
    found = account.get("calibration")
    if not found:
        return
    horizon = found["horizon"]
    place = f"soil {found['soil']}"
    if horizon:
        span = f"{_cm(horizon['top_m'])}-{_cm(horizon['bottom_m'])} cm"
        place = f"{place}, horizon {horizon['name']} {span}"
    yield (
        f"depth        {_cm(found['nominal_depth_m'])} cm nominal, set in by "
        f"{_cm(found['set_in_m'])} cm: {_cm(found['real_depth_m'])} cm; {place}"
    )
    for key, word in (("soil_law", "soil law"), ("probe_law", "probe law")):
        law = found[key]
        if law is None:
            yield f"{word:<13}none"
            continue
        since = f", from {law['effective']}" if law["effective"] else ""
        yield f"{word:<13}{law['id']} version {law['version']}{since}: {law['form']}"
        numbers = ", ".join(f"{name} {_limit(x)}" for name, x in law["coefficients"].items())
        yield (
            f"             {numbers or 'no coefficients'}; valid "
            f"{_limit(law['valid_from'])} to {_limit(law['valid_to'])}; "
            f"standard error {_limit(law['standard_error'])}"
        )
        if law["origin"]:
            yield f"             {law['origin']}"
    root = account["value"].get("root_permittivity")
    if root is not None:
        yield f"root         root permittivity {_n(root)}"


def _origin(account: Mapping[str, Any]) -> Iterator[str]:
    if "signal" not in account:
        return
    signal, logged = account["signal"], account["signal"]["as_logged"]
    told = f"{_n(signal['value'])} {signal['units']}"
    if logged:
        told = f"{told} from {logged['text']!r} {logged['unit']} in the line"
    elif signal["worked_back"]:
        back = signal["worked_back"]
        told = f"{told}, that is {np.float32(back['value'])!s} {back['unit']}"
        told = f"{told}, which is not found in the line"
    yield f"signal       {signal['quantity']} {told}"
    yield from _wiring(account.get("wiring"))
    if "file" not in account:
        return
    yield from _clock(account["clock"]) if account["clock"] else ()
    file, line = account["file"], account["line"]
    yield f"file         {file['path']}, revision {file['revision']}, {file['size']} bytes"
    yield f"             sha256 {file['sha256']}"
    yield f"             {file['state']}: {file['said']}"
    now = "" if line["is_as_read"] or line["text"] is None else " (as it stands there NOW)"
    text = "it cannot be shown" if line["text"] is None else line["text"]
    at = "" if line["first_byte"] is None else f", from byte {line['first_byte']} on"
    yield f"line {line['line']}{at}{now}"
    yield f"  {text}{' ...' if line['cut'] else ''}"


def _wiring(wire: Mapping[str, object] | None) -> Iterator[str]:
    if wire:
        probe = f", probe {wire['probe']}" if wire["probe"] else ""
        yield (
            f"wiring       {wire['file']} line {wire['line']}: source {wire['source']}, "
            f"channel {wire['channel']}, unit {wire['unit']}{probe}, "
            f"from {wire['from'] or 'ever'} until {wire['until'] or 'now'}"
        )


def _clock(clock: Mapping[str, Any]) -> Iterator[str]:
    read_by = clock["read_by"]
    if read_by is None:
        yield f"clock        {clock['utc']}; how it was read is not in this state's ledger"
    else:
        zone = read_by["zone"] or f"UTC offset {read_by['utc_offset'] or 'Z'}"
        end = (
            f", the interval's end {read_by['shift_s']} s later" if read_by["shift_s"] else ""
        )
        of = "" if clock["stamp_of"] == "the line" else f" ({clock['stamp_of']})"
        yield f"clock        {clock['as_logged']} as logged{of}, {zone}{end}: {clock['utc']}"
    yield f"             {clock['offset_from_step_s']} s from the step"
    for repair in clock["repairs"]:
        span = f"lines {repair['first_line']} to {repair['last_line']}"
        least, most = repair["least_s"], repair["most_s"]
        added = f"{least} s added" if least == most else f"{least} to {most} s added"
        yield f"             {repair['kind']} ({span}, {added}): {repair['evidence']}"


def _superseded(account: Mapping[str, Any]) -> Iterator[str]:
    for other in account.get("superseded", ()):
        yield (
            f"superseded   {_n(other['value'])} of {other['path']} revision "
            f"{other['revision']}, line {other['line']}: {other['lost_because']}"
        )


def _of_round(account: Mapping[str, Any]) -> Iterator[str]:
    """Yield the round of a hand reading, and what else was read in it at the place."""
    if "alike" not in account:
        return
    reading = account["reading"]
    yield f"round        {reading['round']}, repeat {reading['repeat']}"
    for other in account["alike"]:
        turned = other["direction_deg"]
        side = "" if turned is None else f", direction {turned:g} degrees"
        yield (
            f"besides      {_n(other['calibrated_water_content'])} m3 m-3{side}, repeat "
            f"{other['repeat']}, {other['time']}: {other['file']['path']} line "
            f"{other['line']['line']}"
        )
        if other["line"]["text"] != account["line"]["text"]:
            yield f"  {other['line']['text'] or 'it cannot be shown'}"


def _cells(account: Mapping[str, Any]) -> Iterator[str]:
    if "cells" not in account:
        return
    rules = account["end_rules"]
    yield (
        f"end rules    above the first sensor {rules['above_first_sensor']}, below the last "
        f"{rules['below_last_sensor']}; a missing sensor {account['missing_sensor']}"
    )
    if account["bridged"]:
        depths = ", ".join(_cm(depth) for depth in account["bridged"])
        yield f"bridged      no reading at {depths} cm; the sensors around stand in"
    headers = ("depth cm", "real cm", "weight m", "m3 m-3", "random", "systematic", "quality")
    rows = [
        [
            _cm(cell["nominal_depth_m"]),
            _cm(cell["real_depth_m"]),
            *(
                _n(cell[name])
                for name in (
                    "weight_m",
                    "cleaned_water_content",
                    "random_error",
                    "systematic_error",
                )
            ),
            str(cell["quality"]),
        ]
        for cell in account["cells"]
    ]
    yield from table(headers, rows).split("\n")
    yield f"sum          1000 x weight x water: {_n(account['recomputed'])} mm; " + _agrees(
        account
    )
    yield from _ask(account["cells"][0]["trace"] if account["cells"] else None)


def _day(account: Mapping[str, Any]) -> Iterator[str]:
    if "rule" not in account:
        return
    rule, day = account["rule"], account["day"]
    held = rule.get("counted_for")  # on a day on which the logging interval changed
    shared = "" if held is None else f", by the time each stands for as good as {held:g}"
    yield f"day          {day['from']} until {day['until']}"
    yield (
        f"rule         {rule['kind']} of {rule['counted']} values{shared}; "
        f"{rule['needed']} of {rule['due']:g} due are needed "
        f"(day_completeness {rule['day_completeness']:g})"
    )
    left = ", ".join(f"{count} {name}" for name, count in account["left_out"].items())
    yield f"left out     {left or 'none'}"
    steps = account["steps"]
    for step in steps[:_STEPS_SHOWN]:  # of rain also by whom, where a gauge took over
        of = f"  {step['station']}" if "station" in step else ""
        yield f"             {step['time']}  {_n(step['value'])}{of}"
    if len(steps) > _STEPS_SHOWN:
        yield f"             and {len(steps) - _STEPS_SHOWN} more, all with --json"
    yield f"result       {_n(account['recomputed'])}; {_agrees(account)}"
    if steps:
        first = {"tube": steps[0]["station"]} if "station" in steps[0] else {}
        yield from _ask({**account["trace"], **first, "time": steps[0]["time"]})


def _agrees(account: Mapping[str, Any]) -> str:
    return "as stored" if account["agrees"] else "NOT as stored; run percolog night"


def _ask(question: Mapping[str, object] | None) -> Iterator[str]:
    """Yield the command by which the first of several cells is traced in turn."""
    if question:
        yield f"in turn      percolog trace SITE {options(question)}"


def _n(value: float | None) -> str:
    """Return a stored value with the digits it has, a dash for none."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    return f"{float(np.float32(value)):.6g}"


def _limit(value: object) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(_limit(item) for item in value)}]"
    return f"{value:g}" if isinstance(value, int | float) else str(value or "-")


def _cm(depth_m: float) -> str:
    return f"{round(depth_m * 100, 2):g}"
