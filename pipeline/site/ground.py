"""``soils.toml``, ``calibrations.toml`` and ``layouts/*.toml``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pipeline.errors import Problem
from pipeline.site.draft import Draft, Placed
from pipeline.site.forms import HorizonForm, LawForm, SoilForm
from pipeline.site.layout import Layout
from pipeline.site.mistakes import BadValueError, show
from pipeline.site.models import Horizon, Law, Site, Soil
from pipeline.site.settings import entries, keep_known, names_of
from pipeline.site.toml_files import TomlFile, TomlSpot, read_toml
from pipeline.site.translate import validate
from pipeline.site.values import parse_instant

SOILS, LAWS, LAYOUTS = "soils.toml", "calibrations.toml", "layouts"


def read_soils(folder: Path, draft: Draft) -> None:
    """Read ``soils.toml`` into the draft."""
    toml = read_toml(folder / SOILS, SOILS, draft.problems)
    if toml is None:
        return
    top = TomlSpot(SOILS, toml)
    data = keep_known(toml.data, ("soil",), top, draft.problems).get("soil", {})
    if not isinstance(data, dict):
        problem = top.problem("soil", show(data), "tables like [soil.slope]")
        draft.problems.append(problem)
        return
    draft.soil_names = set(data)
    for name, raw in data.items():
        spot = top.below("soil", name)
        form = validate(SoilForm, raw, spot, draft.problems)
        soil = form and validate(Soil, _soil(name, form), spot, draft.problems)
        if soil:
            draft.soils.append(Placed(soil, spot))


def _soil(name: str, form: SoilForm) -> dict[str, object]:
    horizons = tuple(_horizon(horizon) for horizon in form.horizon)
    return {"id": name, "title": form.title, "horizons": horizons}


def _horizon(form: HorizonForm) -> Horizon:
    return Horizon(
        top_m=round(form.top_cm / 100, 4),
        bottom_m=round(form.bottom_cm / 100, 4),
        **form.model_dump(exclude={"top_cm", "bottom_cm"}),
    )


def read_laws(folder: Path, offset_s: int, draft: Draft) -> None:
    """Read ``calibrations.toml`` into the draft."""
    toml = read_toml(folder / LAWS, LAWS, draft.problems)
    if toml is None:
        return
    top = TomlSpot(LAWS, toml)
    data = keep_known(toml.data, ("law",), top, draft.problems)
    found = entries(toml, top.below("law"), data.get("law", []), draft.problems)
    draft.law_names = names_of(found, "id")
    for spot, raw in found:
        form = validate(LawForm, raw, spot, draft.problems)
        law = form and _law(form, spot, offset_s, draft.problems)
        if law:
            draft.laws.append(Placed(law, spot))
        elif isinstance(raw, dict):
            if isinstance(raw.get("version"), int):
                draft.unread_laws.add((raw.get("id"), raw["version"]))
            named = raw.get("probes")
            names = named if isinstance(named, list) else [named]
            draft.unread_probes |= {name for name in names if isinstance(name, str)}


def _law(form: LawForm, spot: TomlSpot, offset_s: int, problems: list[Problem]) -> Law | None:
    effective = None
    if form.effective is not None:
        try:
            effective = parse_instant(form.effective, offset_s)
        except BadValueError as error:
            found = show(form.effective)
            problems.append(spot.problem("from", found, error.expected, error.advice))
            return None
    low, high = form.valid or (None, None)
    return Law(
        **form.model_dump(exclude={"effective", "valid"}),
        effective=effective,
        valid_from=low,
        valid_to=high,
    )


def on_their_lines(site: Site, problems: Iterable[Problem]) -> list[Problem]:
    """Return problems of laws, by whose name they are placed, with the law's line as well."""
    toml = read_toml(site.folder / LAWS, LAWS, [])
    lines = {
        f"law {law.id!r} version {law.version}": toml.line_of(("law", number))
        for number, law in enumerate(site.laws)
        if toml is not None
    }
    return [
        replace(problem, place=f"line {lines[problem.place]}, {problem.place}")
        if lines.get(problem.place)
        else problem
        for problem in problems
    ]


def read_layouts(folder: Path, draft: Draft) -> None:
    """Read ``layouts/*.toml`` into the draft; a layout is named by its file."""
    try:
        paths = sorted((folder / LAYOUTS).glob("*.toml"))
    except OSError:
        paths = []
    draft.layout_names = {path.stem for path in paths}
    for path in paths:
        name = f"{LAYOUTS}/{path.name}"
        toml = read_toml(path, name, draft.problems)
        layout = toml and _layout(path.stem, toml, draft.problems)
        if layout and toml:
            draft.layouts.append(Placed(layout, TomlSpot(name, toml)))


def _layout(stem: str, toml: TomlFile, problems: list[Problem]) -> Layout | None:
    spot = TomlSpot(toml.name, toml)
    written = toml.data.get("id", stem)
    if written != stem:
        advice = "Leave the key out: the file's name is the layout's id."
        problems.append(spot.problem("id", show(written), f"{stem!r}", advice))
    return validate(Layout, {**toml.data, "id": stem}, spot, problems)
