"""The account of a night for a person and for a machine."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.deliver.atomic import replacing
from pipeline.qc.flags import Quality
from pipeline.site.models import Site
from pipeline.state import Snapshot


def tube_rows(site: Site, snapshot: Snapshot) -> list[dict[str, Any]]:
    """Return, for each tube, how its sensors did over the days the report shows.

    Returns
    -------
    list of dict
        ``tube``, ``expected`` (sensor steps since the tube was wired), ``good_pct``,
        ``suspect_pct``, ``bad_pct``, ``missing_pct``, ``last_reading`` (ISO 8601, UTC, or None).
        A tube that is only read by hand has ``expected`` 0.
    """
    axis, stop = snapshot.axis, snapshot.steps
    start = max(0, stop - site.report.days * axis.steps_per_day)
    if not snapshot.holds("water/quality") or stop == start:
        return [_tube_row(tube.tube, np.empty((0, 0), np.uint8), None) for tube in site.tubes]
    quality = snapshot.read("water/quality", start, stop)
    times = axis.seconds(start, stop)
    rows = []
    for tube in site.tubes:
        flags = quality[:, snapshot.labels["tube"].index(tube.tube)]
        sensors = (flags != Quality.MISSING).any(axis=0)
        seen = np.flatnonzero((flags != Quality.MISSING).any(axis=1))
        last = int(times[seen[-1]]) if len(seen) else None
        first = int(seen[0]) if len(seen) else 0
        rows.append(_tube_row(tube.tube, flags[first:, sensors], last))
    return rows


def _tube_row(name: str, flags: np.ndarray, last_s: int | None) -> dict[str, Any]:
    """Return one row; shares are of all sensor steps between the first and the last."""
    counts = {q: int(np.count_nonzero(flags == q)) for q in Quality}
    total = max(flags.size, 1)
    good = counts[Quality.GOOD] + counts[Quality.NOT_EVALUATED]
    return {
        "tube": name,
        "expected": int(flags.size),
        "good_pct": round(100 * good / total, 2),
        "suspect_pct": round(100 * counts[Quality.SUSPECT] / total, 2),
        "bad_pct": round(100 * counts[Quality.BAD] / total, 2),
        "missing_pct": round(100 * counts[Quality.MISSING] / total, 2),
        "last_reading": None
        if last_s is None
        else datetime.fromtimestamp(last_s, UTC).isoformat().replace("+00:00", "Z"),
    }


def summarise(night: dict[str, Any], *parts: dict[str, Any]) -> dict[str, Any]:
    """Return a night and its deliveries as one summary, with its outcome.

    ``outcome`` is "attention" where something was set aside or an account does not close, else
    "done".
    """
    summary = dict(night)
    for part in parts:
        summary |= part
    summary["outcome"] = "attention" if night["set_aside"] else "done"
    return summary


def write_summary(folder: Path, summary: dict[str, Any]) -> list[Path]:
    """Write the summary as JSON and as text; return both paths."""
    folder.mkdir(parents=True, exist_ok=True)
    document = json.dumps(summary, indent=2, sort_keys=True, allow_nan=False) + "\n"
    paths = [folder / "summary.json", folder / "summary.txt"]
    for path, text in zip(paths, (document, _text(summary)), strict=True):
        with replacing(path) as temporary:
            temporary.write_text(text, encoding="utf-8")
    return paths


def _text(summary: dict[str, Any]) -> str:
    """Return the summary as a page of plain text."""
    ledger = summary["ledger"]
    lines = [
        f"{summary['title']} ({summary['site']})",
        f"State {summary['commit']}: {summary['message']}",
        "",
        f"Values read {ledger['values_read']} = stored {ledger['stored']} "
        f"+ identical duplicates {ledger['duplicates']} + superseded {ledger['superseded']} "
        f"+ set aside {ledger['rejected']}",
        f"Rows read {ledger['rows_read']} in {ledger['files']} files",
        "",
        "tube            good  suspect   bad  missing   last reading (UTC)",
    ]
    for row in summary["tubes"]:
        if not row["expected"]:
            lines.append(f"{row['tube']:<14} not on a logger, or no readings yet")
            continue
        lines.append(
            f"{row['tube']:<14}{row['good_pct']:6.1f}{row['suspect_pct']:9.1f}"
            f"{row['bad_pct']:6.1f}{row['missing_pct']:9.1f}   {row['last_reading']}"
        )
    if summary["set_aside"]:
        lines += ["", "Set aside (needs a look):"]
        lines += [
            f"- {row['file']} {row['place']}: {row['count']} x {row['found']}; "
            f"expected {row['expected']}. {row['advice']}"
            for row in summary["set_aside"]
        ]
    for name in ("delivered", "pictures"):
        if isinstance(summary.get(name), list) and summary[name]:
            lines += ["", f"{name.capitalize()}:", *(f"- {path}" for path in summary[name])]
    return "\n".join(lines) + "\n"
