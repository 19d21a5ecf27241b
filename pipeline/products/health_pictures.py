"""What the pictures of tubes' health show, and which of them are out of date."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.deliver.atomic import replacing
from pipeline.products.tube_health import tubes_record
from pipeline.qc.contact import noise_of_like
from pipeline.qc.findings import Verdict
from pipeline.qc.health import TubesRecord
from pipeline.qc.wall import TOGETHER_S, flashes, gap_events
from pipeline.report.health_chart import HealthEvidence, draw_health
from pipeline.site.models import Site
from pipeline.store.state import Snapshot

_FORM = 2  # of the picture; a new one is drawn of every tube
_DRAWN = "health.json"  # beside the pictures: from what evidence each was drawn


def draw_health_pictures(
    site: Site, snapshot: Snapshot, folder: Path, remember: bool
) -> list[Path]:
    """Draw the tubes whose verdict or evidence changed, all of them once a month.

    Parameters
    ----------
    remember : bool
        Keep beside the pictures from what evidence each was drawn, so that the next night
        draws no more than it must.

    Returns
    -------
    list of Path
        The pictures drawn now.
    """
    verdicts, health = snapshot.table("tube_verdicts"), snapshot.table("tube_health")
    if verdicts is None or health is None:
        return []
    judged, found = verdicts.to_pandas(), health.to_pandas()
    month = str(np.datetime64(snapshot.axis.origin_s + DAY_S * snapshot.days, "s"))[:7]
    drawn = _read(folder / _DRAWN)
    states = {
        str(row["tube"]): _state(row, found[found["tube"] == row["tube"]], month)
        for row in judged.to_dict("records")
    }
    paths = {tube: folder / f"{tube}_health.png" for tube in states}
    stale = [t for t in states if drawn.get(t) != states[t] or not paths[t].exists()]
    if not stale:
        return []
    record = tubes_record(snapshot, site)
    for evidence in _evidence(record, judged, found, set(stale), site):
        draw_health(evidence, paths[evidence.tube])
    if remember:
        with replacing(folder / _DRAWN) as temporary:
            temporary.write_text(json.dumps(states, indent=1) + "\n", encoding="utf-8")
    return [paths[tube] for tube in stale]


def _state(verdict: dict[Any, Any], found: pd.DataFrame, month: str) -> str:
    """Return a hash of what a picture tells, but for how much was seen, which grows."""
    told = [_FORM, verdict["verdict"], verdict["decided_by"], month]
    told.append(found.to_json(orient="values"))
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


def _read(path: Path) -> dict[str, str]:
    try:
        known: dict[str, str] = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):  # lost or damaged: everything is drawn again
        return {}
    return known


def _evidence(
    record: TubesRecord,
    judged: pd.DataFrame,
    found: pd.DataFrame,
    wanted: set[str],
    site: Site,
) -> Iterator[HealthEvidence]:
    """Yield what is drawn of each tube."""
    ratio = record.noise / noise_of_like(record.noise, record.peers)
    telling = _telling(record, found)
    ends = tuple((second + site.utc_offset_s) / DAY_S for second in record.span_s)
    for verdict in judged.to_dict("records"):
        name = str(verdict["tube"])
        if name not in wanted:
            continue
        tube = record.names.index(name)
        mine, answers = found[found["tube"] == name], record.responses["tube"] == name
        rows = record.responses[answers].assign(telling=telling[answers.to_numpy()])
        directions = record.directions[record.directions["tube"] == name]
        used = _depths(record, tube, directions)
        yield HealthEvidence(
            tube=name,
            verdict=Verdict(verdict["verdict"]),
            reason=str(verdict["reason"]),
            depths_m=record.depths_m[used],
            difference=record.difference[:, tube, used],
            noise_ratio=ratio[tube, used],
            responses=rows,
            directions=directions,
            sentences=_sentences(verdict, mine),
            action=str(verdict["action"]),
            span_d=(ends[0], ends[1] + 1.0),
            utc_offset_s=site.utc_offset_s,
            logged=bool(record.wired.nominal_m.get(name)),
            set_in_m=site.tube_by_id[name].set_in_m,
        )


def _sentences(verdict: dict[Any, Any], found: pd.DataFrame) -> tuple[str, ...]:
    pairs = zip(found["kind"], found["sentence"], strict=True)
    told = [f"{kind}: {sentence}" for kind, sentence in pairs]
    return tuple([str(verdict["reason"]), *told] if verdict["decided_by"] else told)


def _depths(record: TubesRecord, tube: int, directions: pd.DataFrame) -> NDArray[np.intp]:
    """Return which depths of the site the tube has a sensor or hand readings at."""
    here = {*record.wired.nominal_m.get(record.names[tube], ()), *directions["depth_m"]}
    return np.flatnonzero(np.isin(record.depths_m, list(here)))


def _telling(record: TubesRecord, found: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which responses tell of what was found: a void that fills, or a gap."""
    rows = record.responses
    tube, depth = rows["tube"].to_numpy(object), rows["depth_m"].to_numpy(np.float64)
    onset = rows["onset_s"].to_numpy(np.int64)
    named = list(zip(found["tube"], found["kind"], found["depth_m"], strict=True))
    telling = np.zeros(len(rows), dtype=bool)
    for row in flashes(rows, record.wired).to_dict("records"):
        if (row["tube"], "void", row["depth_m"]) in named:
            here = (tube == row["tube"]) & (depth == row["depth_m"])
            telling |= here & (onset == row["onset_s"])
    gaps = {name for name, kind, _ in named if kind in ("bypass", "fast flow")}
    for event in gap_events(rows, record.wired).to_dict("records"):
        if event["tube"] in gaps:
            near = np.abs(onset - int(event["onset_s"])) <= TOGETHER_S
            telling |= (tube == event["tube"]) & near
    return telling
