"""What must hold between site.toml, the layouts and the visits."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.errors import Problem, UnitsError
from pipeline.site.clock_checks import seconds_of
from pipeline.site.cross_ground import repeated
from pipeline.site.cross_wiring import unknown_name
from pipeline.site.draft import Draft, Placed
from pipeline.site.layout import Layout, layout_faults
from pipeline.site.limits import apply_overrides, contradictions, matching_overrides
from pipeline.site.mistakes import BadValueError, Path, Spot, show
from pipeline.site.models import Decision, Visit
from pipeline.site.patterns import pattern_tokens
from pipeline.site.values import check_any_unit, stated_instant
from pipeline.units import conversion

_FAULT = re.compile(r"(?:column '([^']*)': )?([\w.]+): (.*)", re.DOTALL)
# Which section a layout needs for a kind of source; a table needs neither of the others.
_SECTION_OF_KIND = {"sdi12": "transcript", "rounds": "rounds"}


def check_settings(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with sources, layouts, layers, thresholds and visits."""
    yield from repeated(draft.sources, "id", "id", "source")
    yield from repeated(draft.layers, "name", "name", "layer")
    for layout in draft.layouts:
        yield from _check_layout(layout.value, layout.spot)
    yield from _check_source_layouts(draft)
    yield from _check_layers(draft)
    yield from _check_override_tubes(draft)
    yield from _check_limits(draft)
    for visit in draft.visits:
        yield from _check_visit(visit, draft)
    for decision in draft.decisions:
        yield from _check_decision(decision, draft)


def _check_source_layouts(draft: Draft) -> Iterator[Problem]:
    layouts = {placed.value.id: placed for placed in draft.layouts}
    names = frozenset(draft.layout_names or ())
    for placed in draft.sources:
        source, spot = placed.value, placed.spot
        if draft.layout_names is not None and source.layout not in names:
            yield unknown_name(spot, "layout", source.layout, names, "layouts/")
        elif source.layout in layouts:
            layout = layouts[source.layout]
            faults = [*_check_kind(source.kind, layout.value, spot)]
            yield from faults or _check_use(source.kind, layout)


def _check_kind(kind: str, layout: Layout, spot: Spot) -> Iterator[Problem]:
    wanted = _SECTION_OF_KIND.get(kind)
    found = [name for name in _SECTION_OF_KIND.values() if getattr(layout, name) is not None]
    if wanted in found or (wanted is None and not found):
        return
    needed = f"with a [{wanted}] table" if wanted else "without [transcript] and [rounds]"
    has = f"with [{found[0]}]" if found else "without [transcript] and [rounds]"
    advice = f"A source of kind {kind!r} needs one."
    text = f"layout {layout.id!r} {has}"
    yield spot.problem("layout", text, f"a layout {needed}", advice)


def _check_layout(layout: Layout, spot: Spot) -> Iterator[Problem]:
    if layout.transcript is not None:
        yield from _check_pattern(layout.transcript.stamp, ("transcript", "stamp"), spot)
    if layout.rounds is not None:
        try:
            check_any_unit(layout.rounds.unit)
        except BadValueError as error:
            found = show(layout.rounds.unit)
            yield spot.problem(("rounds", "unit"), found, error.expected, error.advice)


def _check_use(kind: str, placed: Placed[Layout]) -> Iterator[Problem]:
    """Yield what keeps a layout from being read as its source's kind."""
    expected = f"a layout that a source of kind {kind!r} can be read by"
    for fault in layout_faults(placed.value, kind):
        path, sentence = _fault_place(fault, placed.value)
        yield placed.spot.problem(path, sentence, expected)


def _fault_place(fault: str, layout: Layout) -> tuple[Path, str]:
    """Return the key a fault begins with as a path, and the rest of its sentence."""
    match = _FAULT.fullmatch(fault)
    if match is None:
        return (), fault
    column, key, sentence = match.groups()
    base: Path = ()
    if column is not None:
        names = [c.name for c in layout.table_schema.columns]
        base = ("tableSchema", "columns", names.index(column)) if column in names else ()
    return (*base, *key.split(".")), sentence


def _check_pattern(pattern: str, path: Path, spot: Spot) -> Iterator[Problem]:
    try:
        pattern_tokens(pattern)
    except ValueError as error:
        expected = "a UAX #35 date pattern like 'yyyy-MM-dd HH:mm:ss'"
        yield spot.problem(path, show(pattern), expected, f"{error}.")


def _check_layers(draft: Draft) -> Iterator[Problem]:
    for placed in draft.layers:
        layer, spot = placed.value, placed.spot
        if layer.top_m < 0:
            yield spot.problem("top_cm", f"{layer.top_m * 100:g}", "0 or more")
        if layer.bottom_m <= layer.top_m:
            found = f"{layer.bottom_m * 100:g}"
            expected = f"a depth below the top ({layer.top_m * 100:g} cm)"
            yield spot.problem("bottom_cm", found, expected, "Depths count downwards.")


def _check_override_tubes(draft: Draft) -> Iterator[Problem]:
    if draft.tube_names is None:
        return
    names = frozenset(draft.tube_names)
    for placed in draft.overrides:
        for number, tube in enumerate(placed.value.tubes):
            if tube not in names:
                path = ("tubes", number)
                yield unknown_name(placed.spot, path, tube, names, "tubes.csv")


def _check_limits(draft: Draft) -> Iterator[Problem]:
    """Thresholds must not contradict each other, neither the site's nor those of any cell."""
    if draft.qc is None:
        return
    yield from (draft.qc.spot.problem(*part) for part in contradictions(draft.qc.value))
    overrides = [placed.value for placed in draft.overrides]
    tubes = [placed.value.tube for placed in draft.tubes]
    depths = {w.value.depth_m for w in draft.wires if w.value.depth_m is not None}
    cells = matching_overrides(tubes, sorted(depths), overrides)
    told = {part[0] for part in contradictions(draft.qc.value)}
    for chosen in sorted(set(cells.values()) - {()}):
        limits = apply_overrides(draft.qc.value, [overrides[i] for i in chosen])
        spot = draft.overrides[chosen[-1]].spot
        for name, found, expected in contradictions(limits):
            if name not in told:
                yield spot.problem(("set",), f"{name} = {found}", expected)


def _check_visit(placed: Placed[Visit], draft: Draft) -> Iterator[Problem]:
    visit, spot = placed.value, placed.spot
    for key, names, file in (
        ("tube", draft.tube_names, "tubes.csv"),
        ("source", draft.source_names, "site.toml"),
    ):
        name = getattr(visit, key)
        if name and names is not None and name not in names:
            yield unknown_name(spot, key, name, frozenset(names), file)
    if visit.value is not None and not visit.unit:
        yield spot.problem("unit", "nothing", f"the unit of the value {visit.value:g}")
    if visit.action == "bench" and (visit.value is None or visit.reading is None):
        missing = "value" if visit.value is None else "reading"
        yield spot.problem(missing, "nothing", "the standard's value and the sensor's reading")
    if visit.action == "clock" and visit.value is not None:
        yield from _check_clock_visit(visit, spot)
    elif visit.unit:
        try:
            check_any_unit(visit.unit)
        except BadValueError as error:
            yield spot.problem("unit", show(visit.unit), error.expected, error.advice)
        else:
            yield from _check_water_content(visit, spot)


def _check_water_content(visit: Visit, spot: Spot) -> Iterator[Problem]:
    """Yield what keeps a reference from being compared with the sensor beside it."""
    if visit.action not in ("reference", "sample") or visit.value is None:
        return
    try:
        factor = conversion(visit.unit, "water_content").factor
    except UnitsError:
        expected = "a unit of water content: '%' or 'm3 m-3'"
        yield spot.problem("unit", show(visit.unit), expected)
        return
    if not 0.0 <= visit.value * factor <= 1.0:
        found = f"{visit.value:g} {visit.unit}"
        yield spot.problem("value", found, "a water content from 0 to 1 m3 m-3 (0 to 100 %)")


def _check_decision(placed: Placed[Decision], draft: Draft) -> Iterator[Problem]:
    decision, spot = placed.value, placed.spot
    names = draft.tube_names
    if names is not None and decision.tube not in names:
        yield unknown_name(spot, "tube", decision.tube, frozenset(names), "tubes.csv")
    if decision.until <= decision.start:
        expected = (
            f"an instant after 'from' ({stated_instant(decision.start, draft.offset_s)})"
        )
        yield spot.problem("until", stated_instant(decision.until, draft.offset_s), expected)
    if decision.of_tube and decision.depth_m is not None:
        yield spot.problem(
            "depth_cm", f"{decision.depth_m * 100:g}", "no depth: a tube is judged as a whole"
        )
        return
    wires = [w.value for w in draft.wires if w.value.tube == decision.tube]
    depths = {w.depth_m for w in wires if w.depth_m is not None}
    if decision.depth_m is not None and depths and decision.depth_m not in depths:
        shown = ", ".join(f"{depth * 100:g}" for depth in sorted(depths))
        expected = f"a nominal depth of a sensor in {decision.tube!r}: {shown} cm"
        yield spot.problem("depth_cm", f"{decision.depth_m * 100:g}", expected)


def _check_clock_visit(visit: Visit, spot: Spot) -> Iterator[Problem]:
    """Yield what keeps a check of a clock from correcting that clock's stamps."""
    if not visit.source:
        yield spot.problem("source", "nothing", "the source whose clock was checked")
    if visit.unit:
        try:
            seconds_of(visit.value or 0.0, visit.unit)
        except UnitsError:
            yield spot.problem("unit", show(visit.unit), "a unit of time: 's', 'min' or 'h'")
