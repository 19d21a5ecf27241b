"""What ``percolog space`` tells: which tube stands for the site, how sure, and the means."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NotRequired, TypedDict

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.axis import DAY_S, second_of
from pipeline.console import clean, table
from pipeline.derive.means import tubes_needed
from pipeline.errors import StoreError
from pipeline.nights.night import open_description
from pipeline.outcomes import Failure
from pipeline.products.space import MEANS, RANKS, SCHEMAS, STABILITY
from pipeline.products.verdicts import VerdictRow, verdict_rows
from pipeline.qc.findings import Verdict
from pipeline.site.models import Site
from pipeline.store.opened import open_state
from pipeline.store.state import Snapshot

SURE = 0.8  # share of resampled records from which a choice is called sure; ours
# Half the width of the interval that tubes are counted for: what field campaigns aim at; ours.
WANTED = {"water_content": 0.02, "storage": 10.0}  # m3 m-3, mm
_UNITS = {"water_content": "m3 m-3", "storage": "mm"}
_CELL = ["quantity", "depth_m", "layer"]


class Stander(TypedDict):
    """The tube that stands for a site, and how sure that is; numbers as in the table."""

    tube: str
    mean_relative_difference: float | None
    relative_difference_spread: float | None
    offset: float | None
    offset_spread: float | None
    share: float | None  # of resampled records that name it; None of a short record
    sure: bool


class Record(TypedDict):
    """What the choice of a tube rests on."""

    days: int
    independent_dates: float | None
    blocks: int
    block_days: int
    same_in_both_halves: bool


class Ranks(TypedDict):
    """How alike the order of tubes is in two months."""

    month_pairs: int
    median: float | None
    lowest: float | None


class GroupMean(TypedDict):
    """The last mean of a group, in the unit of its cell."""

    group: str  # empty: the site
    day: str
    mean: float | None
    lower: float | None
    upper: float | None
    sampling_error: float | None
    systematic_error: float | None
    spread: float | None
    measured: int  # on that day
    standing: int  # of its members that were in the ground then
    members: int  # tubes the mean is of; those taken out keep their places in it


class TubesNeeded(TypedDict):
    """How many tubes a mean of some precision needs; None of one tube."""

    precision: float
    spread: float | None
    tubes: int | None


class Cell(TypedDict):
    """What is told of one depth or layer."""

    quantity: str
    unit: str
    depth_cm: float | None  # None of a layer
    layer: str | None  # None of a depth
    stands: Stander | None
    stands_with_offset: Stander | None
    record: Record
    ranks: Ranks
    means: list[GroupMean]
    tubes_needed: TubesNeeded


class UnsoundStander(TypedDict):
    """A tube named to stand for the site that is not sound."""

    tube: str
    verdict: str | None


class SpaceAccount(TypedDict):
    """How water is spread over a site."""

    site: str
    commit: str
    outcome: str
    cells: list[Cell]
    tubes: list[dict[str, Any]]  # rows of the table `pipeline.products.space.STABILITY`
    unsound: list[UnsoundStander]
    failures: NotRequired[list[Failure]]  # where the description is wrong at present


def space_account(folder: Path) -> SpaceAccount:
    """Return how water is spread over a site, as last computed, JSON-ready.

    Parameters
    ----------
    folder : Path
        The folder of ``site.toml``.

    Raises
    ------
    StoreError
        If no night has been run.
    """
    opened = open_state(folder, open_description)
    site, snapshot = opened.site, opened.snapshot
    stability, means, ranks = (_frame(snapshot, name) for name in (STABILITY, MEANS, RANKS))
    local_s = means["day_s"].to_numpy(np.int64) + site.utc_offset_s
    means["day"] = local_s.astype("datetime64[s]").astype("datetime64[D]").astype(str)
    if stability.empty and not means.empty and means["members"].max() == 1:
        raise StoreError(
            f"{site.id}: expected two tubes or more with days in common, found one; its daily "
            f"values are the site's"
        )
    if stability.empty:
        raise StoreError(
            f"{site.id}: expected ten days or more of a tube, found fewer; wait for more"
        )
    found = []
    for key, rows in stability.groupby(_CELL, dropna=False, sort=False):
        of_means, of_ranks = (_of(key, frame) for frame in (means, ranks))
        found.append(_cell(key, rows, _with_standing(of_means, rows, site), of_ranks))
    return {
        "site": site.id,
        "commit": snapshot.commit_id,
        "outcome": opened.outcome(),
        "cells": found,
        "tubes": _plain(stability),
        "unsound": _unsound(found, verdict_rows(site, snapshot)),
        **opened.told(),
    }


def space_text(account: SpaceAccount) -> str:
    """Return the account as tables for a person."""
    stands = [
        [
            _name(cell),
            *_stander(cell["stands"]),
            *_stander(cell["stands_with_offset"]),
            _signed(cell["stands_with_offset"], cell),
            cell["record"]["independent_dates"],
        ]
        for cell in account["cells"]
    ]
    heads = ["", "nearest to mean", "sure %", "with offset", "sure %", "offset", "dates"]
    means = [
        [
            _name(cell),
            group["group"] or "site",
            group["day"],
            _number(group["mean"], cell),
            _interval(group["lower"], group["upper"], cell),
            f"{group['measured']}/{group['standing']}",
            cell["tubes_needed"]["tubes"] if not group["group"] else None,
        ]
        for cell in account["cells"]
        for group in cell["means"]
    ]
    aims = ", ".join(f"{WANTED[q]:g} {_UNITS[q]}" for q in WANTED)
    return "\n\n".join(
        [
            f"{account['site']}: which tube stands for the site",
            table(heads, stands),
            "sure: share of records, resampled in blocks, that name the same tube; "
            "- where the record is too short.\ndates: what the days are worth as independent "
            "ones. A season not seen is in none of it.",
            *(
                f"{clean(row['tube'])}: {row['verdict']}; before it stands for the site, "
                "look at what was found of it: percolog tubes"
                for row in account["unsound"]
            ),
            "last day with a mean, and its 95 % interval",
            table(["", "group", "day", "mean", "95 % interval", "tubes", "needed"], means),
            *_on_counts(account["cells"]),
            f"needed: tubes for the mean to within {aims}, without errors that all share.",
        ]
    )


def _unsound(cells: list[Cell], verdicts: list[VerdictRow]) -> list[UnsoundStander]:
    """Return verdicts on the tubes that cells name, where they are not sound."""
    standers = [one for cell in cells for one in (cell["stands"], cell["stands_with_offset"])]
    named = {stander["tube"] for stander in standers if stander}
    return [
        {"tube": row["tube"], "verdict": row["verdict"]}
        for row in verdicts
        if row["tube"] in named and row["verdict"] not in (None, Verdict.SOUND.text)
    ]


def _frame(snapshot: Snapshot, name: str) -> pd.DataFrame:
    found = snapshot.table(name)
    empty: pa.Table = SCHEMAS[name].empty_table()
    return (empty if found is None else found).to_pandas()


def _of(key: tuple, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of one quantity."""
    quantity, depth, layer = key
    at = frame["depth_m"].isna() if np.isnan(depth) else frame["depth_m"] == depth
    return frame[(frame["quantity"] == quantity) & at & (frame["layer"] == layer)]


def _cell(key: tuple, rows: pd.DataFrame, means: pd.DataFrame, ranks: pd.DataFrame) -> Cell:
    """Return what is told of one quantity."""
    quantity, depth, layer = key
    last = means.loc[means.groupby("group", sort=False)["day_s"].idxmax()]
    usual = rows.loc[rows["days"] >= 0.5 * rows["days"].max(), "independent_dates"].median()
    spread = means.loc[means["group"] == "", "spread"].median()
    members = int(means.loc[means["group"] == "", "members"].max()) if len(means) else 0
    return {
        "quantity": quantity,
        "unit": _UNITS[quantity],
        "depth_cm": None if np.isnan(depth) else round(depth * 100, 2),
        "layer": layer or None,
        "stands": _named(rows, "direct", "direct_share"),
        "stands_with_offset": _named(rows, "with_offset", "offset_share"),
        "record": {
            "days": int(rows["days"].max()),
            "independent_dates": _finite(usual, 1),
            "blocks": int(rows["blocks"].iloc[0]),
            "block_days": int(rows["block_days"].iloc[0]),
            "same_in_both_halves": bool((rows["first_half"] & rows["second_half"]).any()),
        },
        "ranks": {
            "month_pairs": len(ranks),
            "median": _finite(ranks["rank_correlation"].median(), 3),
            "lowest": _finite(ranks["rank_correlation"].min(), 3),
        },
        "means": [_mean(row) for row in last.to_dict("records")],
        "tubes_needed": {
            "precision": WANTED[quantity],
            "spread": _finite(spread, 5),
            "tubes": tubes_needed(float(spread), WANTED[quantity], members - 1)
            if members > 1 and np.isfinite(spread)
            else None,
        },
    }


def _named(rows: pd.DataFrame, column: str, share: str) -> Stander | None:
    """Return the tube named in a column, its places, and how sure that is."""
    chosen = rows[rows[column]]
    if chosen.empty:
        return None
    row = chosen.iloc[0]
    sure = _finite(row[share], 3)
    return {
        "tube": row["tube"],
        "mean_relative_difference": _finite(row["mean_relative_difference"], 4),
        "relative_difference_spread": _finite(row["relative_difference_spread"], 4),
        "offset": _finite(row["offset"], 4),
        "offset_spread": _finite(row["offset_spread"], 4),
        "share": sure,
        "sure": sure is not None and sure >= SURE,
    }


def _mean(row: Mapping[Any, Any]) -> GroupMean:
    return {
        "group": row["group"],
        "day": row["day"],
        "mean": _finite(row["mean"], 5),
        "lower": _finite(row["lower"], 5),
        "upper": _finite(row["upper"], 5),
        "sampling_error": _finite(row["sampling_error"], 5),
        "systematic_error": _finite(row["systematic_error"], 5),
        "spread": _finite(row["spread"], 5),
        "measured": int(row["measured"]),
        "standing": int(row["standing"]),
        "members": int(row["members"]),
    }


def _with_standing(means: pd.DataFrame, places: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Return rows of means with how many of the tubes counted stood on each day.

    A tube is counted only if it has a place among the others; see docs/space.md.
    """
    named = set(places["tube"])
    day_s = means["day_s"].to_numpy(np.int64)
    standing = np.zeros(len(means), dtype=np.int64)
    for tube in (tube for tube in site.tubes if tube.tube in named):
        of_group = means["group"].isin(["", tube.group]).to_numpy()
        until_s = second_of(tube.removed, np.inf)
        standing += of_group & (tube.installed.timestamp() < day_s + DAY_S) & (until_s > day_s)
    measured, members = (means[name].to_numpy() for name in ("measured", "members"))
    return means.assign(standing=np.clip(standing, measured, members))


def _on_counts(cells: list[Cell]) -> list[str]:
    """Return a line on tubes that were taken out, where means are of any."""
    counts = [(mean["standing"], mean["members"]) for cell in cells for mean in cell["means"]]
    if all(standing == members for standing, members in counts):
        return ["tubes: measured that day, of those counted."]
    return [
        "tubes: measured that day, of those in the ground then. Tubes that were taken out "
        "keep their places in the mean (docs/space.md)."
    ]


def _finite(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows of a table with None where there is no number or layer."""
    plain = frame.astype(object).where(frame.notna(), None).to_dict("records")
    rows = [{str(name): value for name, value in row.items()} for row in plain]
    return [{**row, "layer": row["layer"] or None, "days": int(row["days"])} for row in rows]


def _name(cell: Cell) -> str:
    return cell["layer"] or f"{cell['depth_cm']:g} cm"


def _stander(named: Stander | None) -> list[object]:
    """Return a tube and the share of records that name it, in per cent."""
    if named is None:
        return [None, None]
    share = named["share"]
    return [named["tube"], None if share is None else round(100 * share)]


def _signed(named: Stander | None, cell: Cell) -> str | None:
    if named is None:
        return None
    value = _number(named["offset"], cell)
    return value if value.startswith("-") else f"+{value}"


def _interval(lower: float | None, upper: float | None, cell: Cell) -> str:
    """Return an interval in words; a dash where one tube tells of none."""
    if lower is None or upper is None:
        return "-"
    return f"{_number(lower, cell)} to {_number(upper, cell)}"


def _number(value: float | None, cell: Cell) -> str:
    if value is None:
        return "-"
    return f"{value:.1f} mm" if cell["unit"] == "mm" else f"{value:.3f}"
