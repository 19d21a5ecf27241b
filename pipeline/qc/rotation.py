"""The rotation check: a hand probe turned in its tube should read the same all round.

Three directions that agree within the spread of the reader speak for sound contact: 20, 21
and 20 % are sound. 20, 21 and 8 % name the third direction: a void or a stone on that side
lowers the reading. That is common practice in the field; the limits are ours.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from pipeline.qc.findings import Finding, Verdict, centimetres, local_date, percent

LEAST_LIMIT = 0.02  # m3 m-3; soil itself differs by so much around a tube
READER_SPREADS = 3.0  # standard uncertainties of a difference between two readings
USUAL_SPREADS = 3.0  # times the spread that directions usually have at the site
CLEARLY = 2.0  # the odd one is so many times farther off than the others are apart
LAST_ROUNDS = 12  # at a depth; older ones no longer speak for the tube of today
MOST_PARTS = 0.5  # of them the same direction must be odd, or in
LEAST_ROUNDS = 3  # so many: where all is dry, a stone reads like soil
KINDS = {-1: "void or stone", 1: "wet side"}


def reader_limit(spread: pd.DataFrame, random_error: float) -> float:
    """Return by how much directions may differ and still agree [m3 m-3].

    Parameters
    ----------
    spread : DataFrame
        From `pipeline.derive.rounds.rotation_spread`: ``other_directions_spread`` tells what
        the reader and the soil usually do.
    random_error : float, [m3 m-3]
        Standard uncertainty of one reading from the noise stated for the reader, or NaN.
    """
    usual = spread["other_directions_spread"].median() if len(spread) else np.nan
    limits = [LEAST_LIMIT, USUAL_SPREADS * usual, READER_SPREADS * np.sqrt(2) * random_error]
    return float(np.nanmax(limits))


def odd_directions(spread: pd.DataFrame, limit: float) -> pd.DataFrame:
    """Return the rounds of each tube and depth with the direction that stands apart.

    Parameters
    ----------
    spread : DataFrame
        ``time_s``, ``tube``, ``depth_m``, the columns of `rotation_spread` and
        ``odd_reading``, what the odd direction read [m3 m-3].
    limit : float, [m3 m-3]

    Returns
    -------
    DataFrame
        With ``agree`` (all within the limit), ``side`` (-1: one direction is low, 1: one is
        high, 0: none stands out) and ``named``, that direction, or NaN.
    """
    rows = spread.copy()
    off, others = rows["odd_direction_distance"], rows["other_directions_spread"]
    odd = (off > limit) & (off > CLEARLY * others) & rows["odd_direction"].notna()
    is_low = rows["odd_reading"] < rows["direction_minimum"] + 0.5 * rows["direction_spread"]
    rows["agree"] = rows["direction_spread"] <= limit
    rows["side"] = np.where(odd, np.where(is_low, -1, 1), 0)
    rows["named"] = rows["odd_direction"].where(odd)
    return rows


def rotation_findings(
    spread: pd.DataFrame, limit: float, offset_s: int = 0
) -> Iterator[Finding]:
    """Yield, for each tube and depth, the direction that the latest rounds name.

    Parameters
    ----------
    spread : DataFrame
        As for `odd_directions`.
    limit : float, [m3 m-3]
        From `reader_limit`.
    offset_s : int
        The site's standard time less UTC, for dates.
    """
    rows = odd_directions(spread, limit).sort_values(["tube", "depth_m", "time_s"])
    for key, cell in rows.groupby(["tube", "depth_m"], sort=True):
        tube, depth = str(key[0]), float(cell["depth_m"].iloc[0])
        last = cell.tail(LAST_ROUNDS)
        odd, needed = last[last["side"] != 0], MOST_PARTS * len(last)
        if len(odd) > needed or len(odd) >= LEAST_ROUNDS:
            counts = odd.groupby(["named", "side"]).size()
            direction, side = counts.index[int(np.argmax(counts.to_numpy()))]
            telling = odd[(odd["named"] == direction) & (odd["side"] == side)]
            if len(telling) > needed or len(telling) >= LEAST_ROUNDS:
                day = local_date(telling["time_s"].iloc[-1], offset_s)
                yield _named(tube, depth, telling, (len(last), day), limit)
                continue
        apart = last[~last["agree"]]
        if len(apart) > needed:
            yield _apart(tube, depth, apart, len(last), limit)


def _named(
    tube: str, depth: float, rounds: pd.DataFrame, of: tuple[int, str], limit: float
) -> Finding:
    """Return the finding of one direction that stands apart; ``of``: all rounds, last day."""
    last = rounds.iloc[-1]
    side = int(last["side"])
    off = float(rounds["odd_direction_distance"].median())
    direction = float(last["named"])
    low, high = float(last["direction_minimum"]), float(last["direction_maximum"])
    odd, others = (low, high) if side < 0 else (high, low)
    depth_text = f"at {centimetres(depth)} cm the direction {direction:g} degrees reads"
    way = "up to" if side < 0 else "from"
    cause = "a void or a stone there lowers" if side < 0 else "water standing there raises"
    once = "; one round only, read it again" if len(rounds) == 1 else ""
    return Finding(
        tube,
        KINDS[side],
        depth,
        direction,
        int(rounds["time_s"].iloc[0]),
        int(last["time_s"]),
        len(rounds),
        -off if side < 0 else off,
        limit,
        "m3 m-3",
        Verdict.USE_WITH_CARE,
        f"{depth_text} {percent(odd)} % where others read {way} {percent(others)} % "
        f"({of[1]}; so in {len(rounds)} of {of[0]} rounds): "
        f"{cause} the reading{once}",
    )


def _apart(tube: str, depth: float, rounds: pd.DataFrame, count: int, limit: float) -> Finding:
    """Return the finding of directions that differ while none stands out."""
    last = rounds.iloc[-1]
    spread = float(rounds["direction_spread"].median())
    return Finding(
        tube,
        "directions differ",
        depth,
        np.nan,
        int(rounds["time_s"].iloc[0]),
        int(last["time_s"]),
        len(rounds),
        spread,
        limit,
        "m3 m-3",
        Verdict.USE_WITH_CARE,
        f"at {centimetres(depth)} cm the directions differ by {percent(spread)} % (limit "
        f"{percent(limit)} %; so in {len(rounds)} of {count} rounds) and none stands out",
    )
