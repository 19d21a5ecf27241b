"""Hand readings beside the logger's at the same tube, depth and time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.flags import Quality
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS

DEPTH_TOLERANCE_M = 0.02
# Differences beyond this many combined standard uncertainties are flagged: about one in twenty
# by chance alone (JCGM 100:2008, 6.2 and table G.1, with a normal distribution).
COVERAGE_FACTOR = 2.0
_HAND = ("hand_random_error", "hand_systematic_error")
_LOGGER = ("logger_random_error", "logger_systematic_error")


def compare_rounds(site: Site, readings: pd.DataFrame, water: xr.Dataset) -> pd.DataFrame:
    """Hand readings at logged depths against the logger's cleaned water content.

    A hand reading belongs to the nearest sensor wired then, within 0.02 m of its real depth,
    and to the nearest step that holds a value, at most half the logging interval of the
    sensor's source away; midway between two, to the later one.

    The two count as independent: where both went through the same soil law, its error is in
    both and the combined uncertainty is too large. It holds those parts that are stated;
    ``uncertainty_of`` says whose, and where it is "logger" or "hand" it is a lower bound.
    Readings that themselves corrected the logger (``corrected_logger``) tell nothing of how
    well the two agree: those of the readers that drift is held to, at a sensor while it is
    corrected.

    Parameters
    ----------
    site : Site
        With the drift ``corrections`` that were applied.
    readings : DataFrame
        From `pipeline.derive.rounds.hand_readings`.
    water : Dataset (time, tube, depth)
        ``cleaned_water_content``, ``random_error``, ``systematic_error``, ``quality``; may be
        backed by a store, only the cells beside hand readings are read.

    Returns
    -------
    DataFrame
        One row a hand reading at a logged depth, ordered by time, tube, depth, direction and
        repeat: ``time_s``, ``round``, ``tube``, ``direction_deg``, ``repeat``,
        ``hand_depth_m`` and ``sensor_depth_m`` (real) and ``nominal_depth_m`` (the sensor's),
        ``hand_water_content``, ``hand_random_error``, ``hand_systematic_error``,
        ``logger_time_s`` (NA without a value near by) and the same of the logger [m3 m-3],
        ``logger_quality``, ``difference`` (hand minus logger), ``combined_uncertainty``,
        ``uncertainty_of``, ``normalised_difference`` and ``beyond`` (two uncertainties), and
        ``corrected_logger``.
    """
    rows = readings.reset_index(drop=True)
    matched = _sensors(site, rows)
    at = matched.sensor >= 0
    rows, matched = rows[at].reset_index(drop=True), matched.take(at)
    near = _nearest(site, rows, matched, water)
    result = pd.DataFrame(
        {
            "time_s": rows["time_s"],
            "round": rows["round"],
            "tube": rows["tube"],
            "direction_deg": rows["direction_deg"],
            "repeat": rows["repeat"],
            "nominal_depth_m": matched.nominal_m,
            "sensor_depth_m": matched.real_m,
            "hand_depth_m": rows["sensor_depth_m"],
            "hand_water_content": rows["calibrated_water_content"].astype(np.float64),
            "hand_random_error": rows["random_error"].astype(np.float64),
            "hand_systematic_error": rows["systematic_error"].astype(np.float64),
            **near,
        }
    )
    result = _judge(result).assign(corrected_logger=_corrected(site, rows, matched))
    order = ["time_s", "tube", "hand_depth_m", "direction_deg", "repeat", "round"]
    return result.sort_values(order, ignore_index=True)


def comparison_summary(comparison: pd.DataFrame) -> pd.DataFrame:
    """Hand minus logger of each sensor over all rounds.

    Returns
    -------
    DataFrame
        ``tube``, ``nominal_depth_m``, ``sensor_depth_m``, ``count`` (differences),
        ``mean_difference`` and ``standard_deviation`` (of a sample; NaN of one) [m3 m-3],
        ``beyond_count``, and ``corrected_count``: differences of readings that corrected the
        logger, which are left out of all others. One row a sensor beside which there was a
        hand reading.
    """
    own = comparison["corrected_logger"]
    told = comparison.assign(
        difference=comparison["difference"].where(~own),
        beyond=comparison["beyond"] & ~own,
        corrected=own & comparison["difference"].notna(),
    )
    sensors = told.groupby(["tube", "nominal_depth_m", "sensor_depth_m"], sort=True)
    return sensors.agg(
        count=("difference", "count"),
        mean_difference=("difference", "mean"),
        standard_deviation=("difference", "std"),
        beyond_count=("beyond", "sum"),
        corrected_count=("corrected", "sum"),
    ).reset_index()


class ComparisonRow(TypedDict):
    """Hand minus logger at one sensor, numbers rounded as a person reads them."""

    tube: str
    depth_cm: float
    count: int  # differences
    mean_difference: float | None  # [m3 m-3]
    standard_deviation: float | None  # of a sample [m3 m-3]; None below two
    beyond_count: int  # beyond twice their uncertainty
    corrected_count: int  # differences left out: of readings that corrected the logger


def comparison_rows(comparison: pd.DataFrame) -> list[ComparisonRow]:
    """Return the summary as JSON-ready rows."""
    return [
        {
            "tube": str(row["tube"]),
            "depth_cm": round(float(row["sensor_depth_m"]) * 100, 2),
            "count": int(row["count"]),
            "mean_difference": _rounded(row["mean_difference"]),
            "standard_deviation": _rounded(row["standard_deviation"]),
            "beyond_count": int(row["beyond_count"]),
            "corrected_count": int(row["corrected_count"]),
        }
        for row in comparison_summary(comparison).to_dict("records")
    ]


def _rounded(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 4)


@dataclass(frozen=True)
class _Matches:
    """The sensor beside each reading: its place among the site's, -1 for none."""

    sensor: NDArray[np.int64]
    nominal_m: NDArray[np.float64]
    real_m: NDArray[np.float64]
    interval_s: NDArray[np.int64]

    def take(self, rows: NDArray[np.bool_]) -> _Matches:
        return _Matches(
            self.sensor[rows], self.nominal_m[rows], self.real_m[rows], self.interval_s[rows]
        )


def _sensors(site: Site, rows: pd.DataFrame) -> _Matches:
    """Return the nearest sensor wired at the time of each reading; of two, the upper one."""
    count = len(rows)
    found = _Matches(
        np.full(count, -1, dtype=np.int64),
        np.full(count, np.nan),
        np.full(count, np.nan),
        np.zeros(count, dtype=np.int64),
    )
    best = np.full(count, np.inf)
    tube = rows["tube"].to_numpy(object)
    depth = rows["sensor_depth_m"].to_numpy(np.float64)
    time_s = rows["time_s"].to_numpy(np.int64)
    logs_every = {s.id: s.interval_s or site.interval_s for s in site.sources}
    wires = [w for w in site.wiring if w.quantity in SIGNALS and w.depth_m is not None]
    for number, wire in enumerate(sorted(wires, key=lambda w: (w.tube, w.depth_m, w.row))):
        real = site.sensor_depth_m(wire.tube, float(wire.depth_m or 0.0))
        away = np.round(np.abs(depth - real), 6)
        nearer = (tube == wire.tube) & (away <= DEPTH_TOLERANCE_M) & (away < best)
        nearer &= _wired_at(wire, time_s)
        best[nearer] = away[nearer]
        found.sensor[nearer] = number
        found.nominal_m[nearer], found.real_m[nearer] = wire.depth_m, real
        # A cell holds the reading nearest to its step, so no window is narrower than a step.
        found.interval_s[nearer] = max(logs_every[wire.source], site.interval_s)
    return found


def _corrected(site: Site, rows: pd.DataFrame, matched: _Matches) -> NDArray[np.bool_]:
    """Return which readings are references by which their sensor is corrected then."""
    found = np.zeros(len(rows), dtype=bool)
    if not site.drift.correct or site.drift.form == "two_point":  # by bench checks alone
        return found
    near_s = round(site.drift.window_h * 3600)
    tube, time_s = rows["tube"].to_numpy(object), rows["time_s"].to_numpy(np.int64)
    for one in site.corrections:
        until_s = np.inf if one.until_s is None else one.until_s + near_s
        inside = (time_s >= one.start_s - near_s) & (time_s <= until_s)
        found |= inside & (tube == one.tube) & (matched.nominal_m == one.depth_m)
    result: NDArray[np.bool_] = found & rows["reader"].isin(site.drift.readers).to_numpy()
    return result


def _wired_at(wire: Wire, time_s: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which instants lie in the time of a wire."""
    inside = np.ones(len(time_s), dtype=bool)
    if wire.start is not None:
        inside &= time_s >= int(wire.start.timestamp())
    if wire.until is not None:
        inside &= time_s < int(wire.until.timestamp())
    return inside


def _nearest(
    site: Site, rows: pd.DataFrame, matched: _Matches, water: xr.Dataset
) -> dict[str, object]:
    """Return the logger's values at the nearest step with one, by column of the comparison."""
    time_s = rows["time_s"].to_numpy(np.int64)
    stamps = water["time"].values.astype("datetime64[s]").astype(np.int64)
    first = (int(stamps[0]) - site.axis.origin_s) // site.interval_s if len(stamps) else 0
    reach = int(matched.interval_s.max(initial=0)) // 2 // site.interval_s + 1
    # The later step first: of two equally near ones it is taken.
    steps = site.axis.nearest(time_s)[0][:, np.newaxis] + np.arange(reach, -reach - 1, -1)
    away = np.abs(site.axis.origin_s + steps * site.interval_s - time_s[:, np.newaxis])
    index = steps - first
    usable = (away * 2 <= matched.interval_s[:, np.newaxis]) & (index >= 0)
    usable &= index < len(stamps)
    cells = _Cells(water, rows["tube"].to_numpy(object), matched.nominal_m)
    usable &= cells.known[:, np.newaxis]
    theta = cells.read("cleaned_water_content", np.where(usable, index, 0))
    distance = np.where(usable & np.isfinite(theta), away.astype(np.float64), np.inf)
    column = distance.argmin(axis=1)
    each = np.arange(len(time_s))
    held = np.isfinite(distance[each, column])
    chosen = np.where(held, index[each, column], 0)[:, np.newaxis]
    values = {
        name: np.where(held, cells.read(source, chosen)[:, 0], np.nan)
        for name, source in (
            ("logger_water_content", "cleaned_water_content"),
            ("logger_random_error", "random_error"),
            ("logger_systematic_error", "systematic_error"),
        )
    }
    flags = cells.read("quality", chosen)[:, 0]
    names = {float(quality): quality.name.lower() for quality in Quality}
    step_s = site.axis.origin_s + (chosen[:, 0] + first) * site.interval_s
    return {
        "logger_time_s": pd.Series(step_s, dtype="Int64").where(pd.Series(held, dtype=bool)),
        **values,
        "logger_quality": np.where(held, pd.Series(flags).map(names).to_numpy(object), ""),
    }


class _Cells:
    """Single cells of a cube, one row a reading, whose tube and depth stay the same."""

    def __init__(
        self, water: xr.Dataset, tubes: NDArray[np.object_], nominal_m: NDArray[np.float64]
    ) -> None:
        self._water = water
        tube = pd.Index(water["tube"].values.astype(object)).get_indexer(pd.Index(tubes))
        levels = pd.Index(np.round(water["depth"].values, 6))
        depth = levels.get_indexer(pd.Index(np.round(nominal_m, 6)))
        self.known = (tube >= 0) & (depth >= 0) & (water.sizes["time"] > 0)
        self._tube, self._depth = np.maximum(tube, 0), np.maximum(depth, 0)

    def read(self, name: str, index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return values (reading, candidate) at steps (reading, candidate)."""
        if not self.known.any() or name not in self._water:
            return np.full(index.shape, np.nan)
        dims = ("reading", "candidate")
        part = self._water[name].isel(
            time=xr.DataArray(index, dims=dims),
            tube=xr.DataArray(self._tube, dims=dims[0]),
            depth=xr.DataArray(self._depth, dims=dims[0]),
        )
        return part.transpose(*dims).values.astype(np.float64)


def _judge(rows: pd.DataFrame) -> pd.DataFrame:
    """Add difference, combined uncertainty and the flag; nothing is stated of NaN."""
    difference = rows["hand_water_content"] - rows["logger_water_content"]
    parts = rows[[*_HAND, *_LOGGER]].to_numpy(np.float64)
    stated = np.isfinite(parts) & difference.notna().to_numpy()[:, np.newaxis]
    variance = np.where(stated, parts**2, 0.0)
    # Four terms in a fixed order: the sum never depends on how it is blocked.
    total = variance[:, 0] + variance[:, 1] + variance[:, 2] + variance[:, 3]
    combined = np.where(stated.any(axis=1) & (total > 0), np.sqrt(total), np.nan)
    whose = np.array(["", "hand", "logger", "hand and logger"], dtype=object)
    normalised: pd.Series = difference / combined
    return rows.assign(
        difference=difference,
        combined_uncertainty=combined,
        uncertainty_of=whose[stated[:, :2].any(axis=1) + 2 * stated[:, 2:].any(axis=1)],
        normalised_difference=normalised,
        beyond=normalised.abs() > COVERAGE_FACTOR,
    )
