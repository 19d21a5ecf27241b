"""Health of every tube: the evidence of the last year, and one verdict.

Put together from the tables of `pipeline.products.tube_records`, from daily values of the last
year, from the hand rounds and from what others suspect; no reading is read again.
"""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, second_of
from pipeline.derive.rounds import hand_readings
from pipeline.products.tube_records import BLOCKS, RESPONSES
from pipeline.qc.findings import Finding, findings_table
from pipeline.qc.health import TubesRecord, all_findings, seen_of
from pipeline.qc.months import BLOCK_DAYS
from pipeline.qc.neighbours import neighbour_groups
from pipeline.qc.rotation import LAST_ROUNDS
from pipeline.qc.rotation_visits import visit_findings
from pipeline.qc.tube_verdicts import judge_tubes, tube_decisions
from pipeline.qc.wall import Wired
from pipeline.site.fingerprint import site_hash
from pipeline.site.models import Site
from pipeline.store.state import Snapshot
from pipeline.variables import SIGNALS

EVIDENCE_DAYS = 365
ROUNDS_YEARS = 3  # older rounds no longer speak for the tube of today
DAILY = "daily/daily_water_content"
DAILY_COUNT = "daily/daily_count"
SUSPECTS = ("tube", "depth_m", "slope", "p", "sentence", "from_s", "until_s")

TEXT, WHOLE, REAL = pa.string(), pa.int64(), pa.float64()
HEALTH = pa.schema(
    [
        ("tube", TEXT),
        ("kind", TEXT),
        ("depth_m", REAL),
        ("direction_deg", REAL),
        ("from_s", WHOLE),
        ("until_s", WHOLE),
        ("events", WHOLE),
        ("measure", REAL),
        ("threshold", REAL),
        ("unit", TEXT),
        ("weight", WHOLE),
        ("sentence", TEXT),
        ("action", TEXT),
    ]
)
VERDICTS = pa.schema(
    [
        ("tube", TEXT),
        ("verdict", WHOLE),
        ("reason", TEXT),
        ("action", TEXT),
        ("found", WHOLE),
        ("decided_by", TEXT),
        ("days", WHOLE),
        ("storms", WHOLE),
        ("rounds", WHOLE),
    ]
)


def tube_health(
    state: Snapshot, site: Site, computed: NDArray[np.bool_]
) -> dict[str, pa.Table]:
    """Judge every tube.

    Parameters
    ----------
    state : Snapshot
        Holds the tables of `pipeline.products.tube_records.tube_records`.
    site : Site
    computed : array (tube, day), bool
        Not looked at: the evidence is small and always taken whole.

    Returns
    -------
    dict
        ``tube_health``, one row of evidence each (see `pipeline.qc.findings.Finding`), and
        ``tube_verdicts``, one row a tube of the site (see
        `pipeline.qc.tube_verdicts.judge_tubes`).
    """
    record = tubes_record(state, site)
    findings = all_findings(record)
    seen = seen_of(record)
    decided = tube_decisions(site, record.span_s[1])
    verdicts = judge_tubes(record.names, findings, seen, decided)
    order = {name: number for number, name in enumerate(record.names)}
    told: list[Finding] = sorted(
        [*findings, *visit_findings(site)],
        key=lambda f: (order[f.tube], -f.weight, f.kind, np.nan_to_num(f.depth_m, nan=-1.0)),
    )
    return {
        "tube_health": _plain(findings_table(told), HEALTH),
        "tube_verdicts": _plain(verdicts, VERDICTS),
    }


def health_inputs(state: Snapshot, site: Site) -> str:
    """Return a hash of what the verdicts depend on besides computed days.

    Hand rounds, the description, and the words of people that are told in the tables.
    """
    told = [
        [visit.model_dump(mode="json") for visit in site.visits if visit.action == "rotation"],
        [decision.model_dump(mode="json") for decision in site.decisions if decision.of_tube],
        site_hash(site),
    ]
    digest = hashlib.sha256(json.dumps(told).encode())
    table = state.table("rounds")
    if table is not None and table.num_rows:
        rows = pd.util.hash_pandas_object(table.to_pandas(), index=False)
        digest.update(rows.to_numpy(np.uint64).tobytes())
    return digest.hexdigest()


def _plain(table: pd.DataFrame, schema: pa.Schema) -> pa.Table:
    rows = pa.Table.from_pandas(table, schema=schema, preserve_index=False)
    return rows.replace_schema_metadata(None)


def tubes_record(state: Snapshot, site: Site) -> TubesRecord:
    """Return what the checks look at, from a state of the store."""
    names = [tube.tube for tube in site.tubes]
    order = np.argsort(state.labels["depth"], kind="stable")
    depths = np.array(state.labels["depth"], dtype=np.float64)[order]
    first = max(0, state.days - EVIDENCE_DAYS)
    day_s = state.axis.origin_s + DAY_S * np.arange(first, state.days, dtype=np.int64)
    water = np.full((day_s.size, len(names), depths.size), np.nan)
    read = np.zeros(water.shape, bool)
    stored = {name: at for at, name in enumerate(state.labels["tube"])}
    here = [at for at, name in enumerate(names) if name in stored]
    if state.holds(DAILY) and day_s.size:
        values = state.read(DAILY, first, state.days)[..., order]
        rows = [stored[names[at]] for at in here]
        water[:, here] = values[:, rows]
        read[:, here] = state.read(DAILY_COUNT, first, state.days)[..., order][:, rows] > 0
    since_s = int(day_s[0]) if day_s.size else 0
    noise, wave = _of_blocks(state, names, depths, first)
    responses = _rows(state, "tube_responses", RESPONSES)
    directions, spread, error = _rotations(state, site)
    groups = neighbour_groups(site, names)
    return TubesRecord(
        names=names,
        depths_m=depths,
        real_m=np.array([[site.sensor_depth_m(t, d) for d in depths] for t in names]).reshape(
            len(names), depths.size
        ),
        groups=groups,
        peers=_peers(site, names),
        wired=_wired(site, names, groups),
        day_s=day_s,
        water=water,
        due=_due(site, names, depths, day_s),
        read=read,
        offset_s=site.utc_offset_s,
        responses=responses[responses["onset_s"] >= since_s].reset_index(drop=True),
        noise=noise,
        wave=wave,
        directions=directions,
        spread=spread,
        reader_error=error,
        suspects=_suspects(state),
    )


def _rows(state: Snapshot, name: str, schema: pa.Schema) -> pd.DataFrame:
    """Return a table with numbers in double precision."""
    table = state.table(name)
    rows = (schema.empty_table() if table is None else table).to_pandas()
    single = rows.select_dtypes("float32").columns
    return rows.astype(dict.fromkeys(single, np.float64)).astype({"tube": object})


def _of_blocks(
    state: Snapshot, names: list[str], depths: Floats, first_day: int
) -> tuple[Floats, Floats]:
    """Return the noise (tube, depth), and the daily wave (2, tube, depth), of the last year.

    Medians over the blocks: a spell of noise is the business of the test for bursts.
    """
    rows = _rows(state, "tube_blocks", BLOCKS)
    rows = rows[rows["block"] >= first_day // BLOCK_DAYS]
    shape = (len(names), depths.size)
    noise, wave = np.full(shape, np.nan), np.full((2, *shape), np.nan)
    middle = rows.groupby(["tube", "depth_m"])[["noise", "wave_cosine", "wave_sine"]].median()
    for (tube, depth), values in zip(middle.index, middle.to_numpy(), strict=True):
        if tube in names:
            cell = names.index(tube), int(np.searchsorted(depths, depth))
            noise[cell], wave[0][cell], wave[1][cell] = values
    return noise, wave


def _wires(site: Site) -> dict[str, list[tuple[float, str, float, float]]]:
    """Return the wired sensors of each tube: depth, source, from and until [UTC seconds]."""
    wires: dict[str, list[tuple[float, str, float, float]]] = {}
    for wire in site.wiring:
        if wire.quantity in SIGNALS and wire.depth_m is not None:
            span = second_of(wire.start, -np.inf), second_of(wire.until, np.inf)
            wires.setdefault(wire.tube, []).append((wire.depth_m, wire.source, *span))
    return wires


def _peers(site: Site, names: list[str]) -> list[NDArray[np.intp]]:
    """Return positions of the tubes read by one source, source by source."""
    places: dict[str, list[int]] = {}
    wires = _wires(site)
    for position, name in enumerate(names):
        for source in sorted({wire[1] for wire in wires.get(name, ())}):
            places.setdefault(source, []).append(position)
    return [np.array(positions) for positions in places.values()]


def _wired(site: Site, names: list[str], groups: list[NDArray[np.intp]]) -> Wired:
    """Return the logged sensors of the site; neighbours are tubes that are logged too."""
    wires = _wires(site)
    interval_of = {source.id: source.interval_s or site.interval_s for source in site.sources}
    nominal = {name: tuple(sorted({w[0] for w in wires.get(name, ())})) for name in names}
    neighbours = {
        names[at]: tuple(names[i] for i in group if i != at and names[i] in wires)
        for group in groups
        for at in group
    }
    return Wired(
        nominal,
        {t: tuple(site.sensor_depth_m(t, d) for d in nominal[t]) for t in names},
        neighbours,
        {
            t: max((interval_of[w[1]] for w in wires.get(t, ())), default=site.interval_s)
            for t in names
        },
    )


def _due(
    site: Site, names: list[str], depths: Floats, day_s: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return (day, tube, depth) whether a sensor was wired, in its tube, all day."""
    due = np.zeros((day_s.size, len(names), depths.size), dtype=bool)
    wires = _wires(site)
    for at, name in enumerate(names):
        tube = site.tube_by_id[name]
        stands = (day_s >= tube.installed.timestamp()) & (
            day_s + DAY_S <= second_of(tube.removed, np.inf)
        )
        for depth_m, _, start, until in wires.get(name, ()):
            column = int(np.searchsorted(depths, depth_m))
            if column < depths.size and depths[column] == depth_m:
                wired = (day_s >= start) & (day_s + DAY_S <= until)
                due[:, at, column] |= stands & wired
    return due


def _rotations(state: Snapshot, site: Site) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    """Return directions, how they agree in rounds of three, and a reading's error."""
    table = state.table("rounds")
    empty = pd.DataFrame({"round": [], "time_s": [], "tube": [], "depth_m": []})
    nowhere = empty.assign(direction_deg=[], water=[])
    if table is None or table.num_rows == 0:
        return nowhere, empty, np.nan
    rows = table.to_pandas()
    since_s = state.axis.origin_s + DAY_S * state.days - ROUNDS_YEARS * 365 * DAY_S
    rows = rows[rows["time_s"] >= since_s]
    if rows.empty:
        return nowhere, empty, np.nan
    readings = hand_readings(rows, site)
    spread, error = rotation_rows(readings)
    return latest_directions(readings, spread), spread, error


def latest_directions(readings: pd.DataFrame, spread: pd.DataFrame) -> pd.DataFrame:
    """Return what the latest rounds in three directions read, by direction.

    Parameters
    ----------
    readings : DataFrame
        From `pipeline.derive.rounds.hand_readings`.
    spread : DataFrame
        From `rotation_rows`.

    Returns
    -------
    DataFrame
        ``tube``, ``depth_m``, ``direction_deg``, ``water`` [m3 m-3], the mean over as many
        rounds as the check looks at.
    """
    cell = ["tube", "depth_m"]
    last = spread.sort_values("time_s").groupby(cell).tail(LAST_ROUNDS)[["round", *cell]]
    rows = readings.merge(last, on=["round", *cell])
    known = rows.dropna(subset=["direction_deg", "calibrated_water_content"])
    water = known.groupby([*cell, "direction_deg"])["calibrated_water_content"].mean()
    return water.astype(np.float64).rename("water").reset_index()


def rotation_rows(readings: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """Return one row a round, tube and depth read in three directions, and a reading's error.

    Parameters
    ----------
    readings : DataFrame
        From `pipeline.derive.rounds.hand_readings`.

    Returns
    -------
    DataFrame
        As `pipeline.qc.rotation.rotation_findings` takes it.
    float, [m3 m-3]
        Median of the stated random error of single readings, NaN where none is stated.
    """
    cell = ["round", "tube", "depth_m"]
    known = readings[readings["calibrated_water_content"].notna()]
    turned = known[known["direction_deg"].notna()]
    odd = turned[turned["direction_deg"] == turned["odd_direction"]]
    reading = odd.groupby(cell)["calibrated_water_content"].mean().rename("odd_reading")
    directions = turned.groupby(cell)["direction_deg"].nunique().rename("directions")
    rows = (
        turned.drop_duplicates(cell).merge(directions, on=cell).merge(reading, "left", on=cell)
    )
    rows = rows[rows["directions"] >= 3].reset_index(drop=True)
    error = known["random_error"].astype(np.float64).median() if len(known) else np.nan
    return rows.astype({"odd_reading": np.float64}), float(error)


def _suspects(state: Snapshot) -> pd.DataFrame:
    """Return the suspected drifts, none where nobody looks for them."""
    table = state.table("drift_suspects")
    if table is None:
        return pd.DataFrame({name: [] for name in SUSPECTS})
    return table.to_pandas()
