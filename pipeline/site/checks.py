"""What looks wrong with a site description but stops no night."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from pathlib import Path

from pipeline.errors import Problem
from pipeline.site.checks_amounts import (
    depths_in_metres,
    groups_named_alike,
    references_too_dry,
    shares_as_fractions,
    tubes_far_away,
    tubes_named_alike,
    tubes_set_by_metres,
)
from pipeline.site.checks_clock import clocks_left_behind, clocks_set_unseen
from pipeline.site.checks_dates import (
    fine_sources,
    in_the_future,
    late_versions,
    misdated_visits,
    outside_the_site,
    swaps_and_wiring,
)
from pipeline.site.checks_depths import (
    below_the_soil,
    depth_unlike_siblings,
    probe_at_other_depths,
    probe_in_two_tubes,
)
from pipeline.site.checks_layers import layers_without_near_sensor, layers_without_water
from pipeline.site.checks_magnitudes import (
    laws_out_of_proportion,
    layers_in_metres,
    limits_in_percent,
    noise_out_of_proportion,
)
from pipeline.site.checks_rows import repeated_rows, shortened_tables
from pipeline.site.checks_sensors import sensors_for_a_while
from pipeline.site.checks_uncertainty import (
    laws_without_error,
    noise_left_out,
    probes_without_error,
)
from pipeline.site.checks_visits import (
    decisions_out_of_time,
    measured_at_midnight,
    visits_beside_sensors,
    visits_left_unfinished,
)
from pipeline.site.cross_wiring import EVER, period
from pipeline.site.description_files import KNOWN_FILES
from pipeline.site.limits import matching_overrides
from pipeline.site.matching import matching
from pipeline.site.mistakes import did_you_mean, in_reading_order
from pipeline.site.models import Law, Site, Wire
from pipeline.site.toml_files import TomlFile, TomlSpot, read_toml
from pipeline.site.values import stated_instant
from pipeline.variables import SIGNALS
from pipeline.words import counted

_TOLERATED_GAP = timedelta(days=1)
_SHOWN_FILES = 5


def review(site: Site, now: datetime | None = None) -> list[Problem]:
    """Return warnings about a loaded site: likely oversights, none of them in the way.

    Looks at the names in the site's and the data folder, and opens only the site's own
    settings again, for the lines on which things stand. What lies after ``now`` (default: what
    this machine's clock shows) is told.
    """
    found = [*in_the_future(site, now or datetime.now(UTC))]
    for check in (
        _unread_descriptions,
        shortened_tables,
        repeated_rows,
        _files_and_sources,
        _folders_in_the_data,
        _wiring_gaps,
        clocks_set_unseen,
        clocks_left_behind,
        _wired_after_removal,
        _tubes_without_wiring,
        _layers_below_sensors,
        layers_without_near_sensor,
        layers_without_water,
        sensors_for_a_while,
        noise_left_out,
        laws_without_error,
        probes_without_error,
        _idle_overrides,
        _late_laws,
        late_versions,
        outside_the_site,
        misdated_visits,
        visits_left_unfinished,
        visits_beside_sensors,
        measured_at_midnight,
        decisions_out_of_time,
        swaps_and_wiring,
        fine_sources,
        probe_in_two_tubes,
        probe_at_other_depths,
        depth_unlike_siblings,
        below_the_soil,
        tubes_far_away,
        tubes_named_alike,
        groups_named_alike,
        depths_in_metres,
        tubes_set_by_metres,
        references_too_dry,
        shares_as_fractions,
        limits_in_percent,
        noise_out_of_proportion,
        layers_in_metres,
        laws_out_of_proportion,
    ):
        found.extend(check(site))
    return in_reading_order(located(site, found))


def located(site: Site, problems: list[Problem]) -> Iterator[Problem]:
    """Give remarks on a key of a TOML file the line on which the key stands."""
    files: dict[str, TomlFile | None] = {}
    for problem in problems:
        name, key = problem.file, problem.place.removeprefix("key ")
        if not name.endswith(".toml") or key == problem.place:
            yield problem
            continue
        if name not in files:
            files[name] = read_toml(site.folder / name, name, [])
        toml = files[name]
        parts = tuple(int(part) if part.isdigit() else part for part in key.split("."))
        place = TomlSpot(name, toml).place(parts) if toml else problem.place
        yield replace(problem, place=place)


def _unread_descriptions(site: Site) -> Iterator[Problem]:
    """Name tables and settings that nothing reads, such as a misspelt visits.csv."""
    if not site.folder.is_dir():
        return
    for path in sorted(site.folder.iterdir()):
        if (
            path.suffix in (".toml", ".csv")
            and path.is_file()
            and path.name not in KNOWN_FILES
        ):
            advice = did_you_mean(path.name, KNOWN_FILES)
            yield Problem(path.name, "", "a file nothing reads", _listed(KNOWN_FILES), advice)


def _files_and_sources(site: Site) -> Iterator[Problem]:
    if not site.data.is_dir():
        advice = "Make it, or set 'data' in [site]."
        yield Problem("site.toml", "key site.data", f"no folder {site.data}", "one", advice)
        return
    claims: dict[Path, list[str]] = defaultdict(list)
    for number, source in enumerate(site.sources):
        below, _ = matching(site.data, source.files)  # the night tells what is out of reach
        matched = [path for path in below if os.path.isfile(path)]
        if not matched:
            place = f"key source.{number}.files"
            found = f"no file like {source.files!r} below {site.data}"
            yield Problem("site.toml", place, found, "raw files of the source")
        for path in matched:
            claims[path].append(source.id)
    yield from _claimed_twice(site, claims)
    yield from _unclaimed(site, claims)


def _claimed_twice(site: Site, claims: dict[Path, list[str]]) -> Iterator[Problem]:
    for path, sources in sorted(claims.items()):
        if len(sources) > 1:
            name = path.relative_to(site.data).as_posix()
            found = f"a file of the sources {_listed(sources)}"
            advice = "Its readings would be counted once for each; narrow the patterns."
            yield Problem(name, "", found, "one source", advice)


def _unclaimed(site: Site, claims: dict[Path, list[str]]) -> Iterator[Problem]:
    """Name files no source takes, one warning a folder; hidden files are nobody's."""
    for folder, names in _walk(site):
        free = [name for name in names if folder / name not in claims]
        if not free:
            continue
        shown = ", ".join(repr(name) for name in free[:_SHOWN_FILES])
        more = f" and {len(free) - _SHOWN_FILES} more" if len(free) > _SHOWN_FILES else ""
        place = folder.relative_to(site.data).as_posix()
        found = f"{shown}{more}, which no source claims"
        advice = "Widen a source's 'files', add a source, or move them out of the data folder."
        yield Problem(f"data folder {place!r}", "", found, "only raw files of sources", advice)


def _walk(site: Site) -> Iterator[tuple[Path, list[str]]]:
    """Yield each folder of the data and its visible files, leaving out what we write."""
    ours = {Path(site.store), site.output, site.folder}
    for place, folders, names in os.walk(site.data):
        folder = Path(place)
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and folder / name not in ours
        )
        visible = sorted(name for name in names if not name.startswith("."))
        yield folder, [] if folder in ours else visible


def _folders_in_the_data(site: Site) -> Iterator[Problem]:
    for key, folder in (("output", site.output), ("store", Path(site.store))):
        if folder.is_relative_to(site.data):
            advice = "A pattern like '**/*.csv' would read our own files as raw data."
            found = f"{folder}, below the data folder"
            yield Problem("site.toml", f"key site.{key}", found, "a folder beside it", advice)


def _wiring_gaps(site: Site) -> Iterator[Problem]:
    """Name sensors that were wired, then not, then wired again.

    Signals stand in for each other: a logger may log volts for a while and permittivity then.
    """
    sensors: dict[tuple[str, float | None, str], list[Wire]] = defaultdict(list)
    for wire in site.wiring:
        owner = wire.source if wire.at_station else wire.tube
        kind = "signal" if wire.quantity in SIGNALS else wire.quantity
        sensors[owner, wire.depth_m, kind].append(wire)
    for (owner, _, _), wires in sensors.items():
        spans = [(*period(w, site.tube_by_id.get(w.tube)), w.row, w.quantity) for w in wires]
        spans.sort()
        ends = accumulate((end for _, end, _, _ in spans), max)
        for until, (start, _, row, quantity) in zip(ends, spans[1:], strict=False):
            if start - until > _TOLERATED_GAP:
                days = (start - until) / timedelta(days=1)
                found = (
                    f"{quantity} of {owner!r} not wired for {days:.1f} days before this row"
                )
                advice = (
                    f"Readings from {site.date_of(until)} until {site.date_of(start)} have "
                    "no place."
                )
                yield Problem("wiring.csv", f"line {row}", found, "no gap", advice)


def _wired_after_removal(site: Site) -> Iterator[Problem]:
    """Name tubes taken out whose channels are wired on, once a tube however many they are."""
    rows: defaultdict[str, list[int]] = defaultdict(list)
    for wire in site.wiring:
        tube = site.tube_by_id.get(wire.tube)
        if tube and tube.removed and wire.until is None:
            rows[tube.tube].append(wire.row)
    for name, lines in rows.items():
        removed = site.tube_by_id[name].removed or site.start  # it has one: see above
        others = f" (and {counted(len(lines) - 1, 'more row')})" if lines[1:] else ""
        found = f"a channel wired without end to tube {name!r}, which was removed{others}"
        expected = f"'until' at {stated_instant(removed, site.utc_offset_s)} or before"
        advice = "Readings after its removal are set aside."
        place = f"line {lines[0]}, column until"
        yield Problem("wiring.csv", place, found, expected, advice)


def _tubes_without_wiring(site: Site) -> Iterator[Problem]:
    """Name tubes nothing measures; where rounds are made by hand they may be read so."""
    if any(source.kind == "rounds" for source in site.sources):
        return
    wired = {wire.tube for wire in site.wiring}
    for tube in site.tubes:
        if tube.tube not in wired:
            found = f"tube {tube.tube!r} without a row in wiring.csv"
            advice = "Add its channels there; a tube read by hand needs a source of rounds."
            place, expected = f"line {tube.row}", "a sensor in every tube"
            yield Problem("tubes.csv", place, found, expected, advice)


def _layers_below_sensors(site: Site) -> Iterator[Problem]:
    depths = [
        site.sensor_depth_m(wire.tube, wire.depth_m)
        for wire in site.wiring
        if wire.depth_m is not None and wire.quantity in SIGNALS
    ]
    if not depths:
        return
    deepest = max(depths)
    for number, layer in enumerate(site.derive.layers):
        is_filled = site.derive.below_last_sensor == "constant" and layer.top_m < deepest
        if layer.bottom_m > deepest and not is_filled:
            place = f"key layer.{number}.bottom_cm"
            found = f"layer {layer.name!r} down to {layer.bottom_m * 100:g} cm"
            expected = f"at most {deepest * 100:g} cm, the deepest sensor"
            advice = "Below it nothing is measured; end the layer there."
            yield Problem("site.toml", place, found, expected, advice)


def _idle_overrides(site: Site) -> Iterator[Problem]:
    tubes = [tube.tube for tube in site.tubes]
    matches = matching_overrides(tubes, site.depths_m, site.qc_overrides)
    wired = {(w.tube, w.depth_m) for w in site.wiring if w.depth_m is not None}
    touched = {number for key, chosen in matches.items() if key in wired for number in chosen}
    for number, override in enumerate(site.qc_overrides):
        if number not in touched:
            place = f"key qc.override.{number}"
            found = f"an override ({override.why}) that meets no wired sensor"
            advice = "Look at its tubes and at its depths, which are nominal ones."
            yield Problem("site.toml", place, found, "tubes and depths of the wiring", advice)


def _late_laws(site: Site) -> Iterator[Problem]:
    """Name laws that begin after the readings of their sensors, with the first of these."""
    by_id: dict[str, list[Law]] = defaultdict(list)
    by_probe: dict[str, list[Law]] = defaultdict(list)
    for law in site.laws:
        by_id[law.id].append(law)
        for probe in law.probes:
            by_probe[probe].append(law)
    late: dict[tuple[str, datetime], list[tuple[int, datetime]]] = defaultdict(list)
    for wire in site.wiring:
        tube = site.tube_by_id.get(wire.tube)
        if tube is None or wire.depth_m is None or wire.quantity not in SIGNALS:
            continue
        needed = [by_probe[wire.probe]] if wire.quantity == "voltage" else []
        horizon = site.soils[tube.soil].horizon_at(
            site.sensor_depth_m(tube.tube, wire.depth_m)
        )
        if horizon is not None and wire.quantity != "water_content":
            needed.append(by_id[horizon.calibration])
        begin = max(period(wire, tube)[0], site.start)
        for laws in filter(None, needed):
            first = min(law.effective or EVER for law in laws)
            if begin < first:
                late[laws[0].id, first].append((wire.row, begin))
    for (name, first), rows in late.items():
        others = f", and so of {counted(len(rows) - 1, 'more row')}" if rows[1:] else ""
        found = f"readings from {site.date_of(rows[0][1])} on{others}"
        expected = f"readings after law {name!r} takes effect ({site.date_of(first)})"
        advice = "Earlier readings have no calibration; date the first version earlier."
        yield Problem("wiring.csv", f"line {rows[0][0]}", found, expected, advice)


def _listed(words: tuple[str, ...] | list[str]) -> str:
    return ", ".join(repr(word) for word in words)
