"""The trace of a number of a row as text: what it rests on, group by group."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.axis import iso_utc

_FIRST, _LAST = 3, 1  # items of a long group that are shown besides those led to the ground
_PLACES = 9
Lines = set[tuple[str, int]]  # raw lines shown so far, by file and line


def row_text(account: Mapping[str, Any]) -> Iterator[str]:
    """Yield the lines of a trace of `pipeline.lineage.rows.row_account`, after its head."""
    by = account["computed_by"]
    version = "unknown" if by["version"] is None else by["version"]
    yield f"computed by  step {by['step']}, version {version}: {by['reference']}"
    yield f"how          {account['how']}"
    told: Lines = set()
    for group in account["rests_on"]:
        yield from _group(group, told)
    again = _value(account["recomputed"], account["kind"], "")
    yield f"made again   {again}, from {account['made_from']}"
    if account["agrees"]:
        yield "             as stored, to the last bit"
    else:
        yield f"             NOT as stored: {', '.join(account['differs']) or 'a sum above'}"
    if account["differs"] and account["agrees"]:
        yield f"             other columns are NOT as stored: {', '.join(account['differs'])}"


def row_head(account: Mapping[str, Any]) -> Iterator[str]:
    """Yield where a number stands, what it is, and its value."""
    cell, name = account["cell"], account["number"]
    value = account["value"]
    words = [cell.get("event") or cell.get("tube"), _depth(cell)]
    words += [f"layer {cell['layer']}" if "layer" in cell else None]
    words += [f"group {account['group']}" if account.get("group") else None]
    words += [account["asked"].get("months"), cell.get("time")]
    yield f"{account['site']}: {', '.join(str(word) for word in words if word)}"
    yield f"value        {name} {_value(value[name], account['kind'], value['units'])}"
    yield f"             {account['meaning']}"
    if account["why_missing"]:
        yield f"why          {account['why_missing']}"
    state = account["state"]
    yield f"state        {state['commit']}, written {state['written']}"


def _value(value: Any, kind: str, units: str) -> str:
    """Return a number with its unit; an instant, a word or a flag as what it is."""
    if value is None or (kind == "time" and value < 0):
        return "no value"
    if kind == "time":
        return iso_utc(value)
    if kind == "number":
        return f"{_n(value)} {units}".rstrip()
    return str(value) or "none"


def _depth(cell: Mapping[str, Any]) -> str | None:
    nominal = cell.get("nominal_depth_m")
    if nominal is None:
        return None
    real = cell.get("real_depth_m", nominal)
    moved = f" (really {real * 100:g} cm)" if real != nominal else ""
    return f"{round(nominal * 100, 2):g} cm{moved}"


def _group(group: Mapping[str, Any], told: Lines) -> Iterator[str]:
    value = "" if group["value"] is None else f": {_n(group['value'])} {group['units']}"
    column = f" ({group['column']})" if group["column"] else ""
    wrong = "" if group["agrees"] else ", NOT as stored"
    yield f"rests on     {group['what']}{value}{column}{wrong}"
    items = group["items"]
    shown = [n for n, item in enumerate(items) if _is_shown(n, item, len(items))]
    last = -1
    for n in shown:
        if n > last + 1:
            yield f"             ... {n - last - 1} more, all with --json"
        yield from _item(items[n], group["units"], told)
        last = n
    if not items:
        yield "             none"
    cells = [cell for item in items for cell in item.get("parts", (item,))]
    yield from _next([cell for cell in cells if "trace" in cell])


def _is_shown(place: int, item: Mapping[str, Any], count: int) -> bool:
    led = "origin" in item or any("origin" in part for part in item.get("parts", ()))
    short = count <= _PLACES
    return led or short or place < _FIRST or place >= count - _LAST


def _item(item: Mapping[str, Any], units: str, told: Lines) -> Iterator[str]:
    said = f"  {item['said']}" if item.get("said") else ""
    yield f"             {item['at']}  {_n(item['value'])} {units}{said}".rstrip()
    for reading in item.get("hand", ()):
        yield f"               {_hand(reading)}"
        yield f"               {reading['line']['text'] or 'it cannot be shown'}"
        yield from _file(reading["file"])
    if "origin" in item:
        yield from _origin(item["origin"], told)
    for part in item.get("parts", ()):
        if "origin" in part:
            depth = f"{round(part['depth_m'] * 100, 2):g} cm"
            yield f"             {depth} x {part['weight_m']:g} m: {_n(part['value'])} m3 m-3"
            yield from _origin(part["origin"], told)


def _origin(origin: Mapping[str, Any], told: Lines) -> Iterator[str]:
    """Yield the cells on the way down, and the raw line where it has not been shown yet."""
    for step in origin["path"][1:]:
        where = f"{step['depth_cm']:g} cm" if "depth_cm" in step else step.get("layer", "")
        words = [step["product"], step["tube"], where, step["time"], _n(step["value"])]
        yield f"               from {' '.join(str(word) for word in words if word)}"
    if "file" not in origin:
        yield f"               {origin['why_missing']}"
        return
    file, line, signal, wire = (origin[n] for n in ("file", "line", "signal", "wiring"))
    logged = signal["as_logged"]
    number = f"{_n(signal['value'])} {signal['units']}"
    number = f"{logged['text']!r} {logged['unit']}" if logged else number
    channel = f", channel {wire['channel']} (wiring.csv line {wire['line']})" if wire else ""
    yield f"               {file['path']} line {line['line']}: {number}{channel}"
    laws = ", ".join(
        f"{law['id']} version {law['version']}" for law in origin["laws"].values()
    )
    if laws:
        yield f"               by {laws}; quality {origin['quality']['meaning']}"
    if (file["path"], line["line"]) in told:
        return
    told.add((file["path"], line["line"]))
    now = "" if line["is_as_read"] or line["text"] is None else " (as it stands there NOW)"
    text = "it cannot be shown" if line["text"] is None else line["text"]
    yield f"               {text}{' ...' if line['cut'] else ''}{now}"
    yield from _file(file)


def _file(file: Mapping[str, Any]) -> Iterator[str]:
    """Yield what a reader must know of a raw file that is not as it was, or where it was."""
    if file["state"] != "as read" or file["lies_in"] != file["path"]:
        said = file.get("said", "the ledger has no such file")
        yield f"               {file['state']}: {said}"


def _hand(reading: Mapping[str, Any]) -> str:
    file = f"{reading['file']['path']} line {reading['line']['line']}"
    depth = f"{round(reading['depth_m'] * 100, 2):g} cm"
    turned = reading["direction_deg"]
    side = "" if turned is None else f", direction {turned:g} degrees"
    return f"{file}: {reading['value']:.6g} at {depth}{side}"


def _next(items: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Yield the command by which the first item that has a trace is traced."""
    if items:
        yield f"in turn      percolog trace SITE {options(items[0]['trace'])}"


def options(ask: Mapping[str, Any]) -> str:
    """Return what to ask for a trace as options of the command."""
    names = {"depth_cm": "depth"}
    return " ".join(
        f"--{names.get(name, name)} {value:g}"
        if isinstance(value, float)
        else f"--{names.get(name, name)} {value}"
        for name, value in ask.items()
    )


def _n(value: object) -> str:
    """Return a value with the digits that tell it, a dash for none."""
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return "-"
    if isinstance(value, bool | str):
        return str(value)
    if isinstance(value, int):
        return str(value)
    return f"{value:.8g}"
