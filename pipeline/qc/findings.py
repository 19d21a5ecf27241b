"""One piece of evidence on a tube, and the words and weights of each kind of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from enum import IntEnum

import pandas as pd


class Verdict(IntEnum):
    """What a tube is good for; a higher number is worse."""

    SOUND = 0
    USE_WITH_CARE = 1
    DO_NOT_USE = 2

    @property
    def text(self) -> str:
        """Return the verdict in words."""
        return self.name.replace("_", " ").lower()


# What is done about a tube for each kind of evidence. Common practice of the field, in our
# words; docs/tubes.md says more, and what to mind when a tube is taken out or set anew.
ACTIONS = {
    "void": "turn the probe to a direction that agrees; else set the tube anew",
    "stone": "turn the probe to a direction that agrees; else set the tube elsewhere",
    "void or stone": "turn the probe to a direction that agrees; else set the tube anew",
    "wet side": "turn the probe to a direction that agrees; look for a channel along the wall",
    "directions differ": "read three directions again; seat the probe firmly in the tube",
    "bypass": "use no data; seal the surface around the tube or set it anew in a tight hole",
    "fast flow": "look around the tube after heavy rain; set a second tube some metres off",
    "swings with rain": "look at the wall of the tube; read three directions, also after rain",
    "poor contact": "clean and reseat the probe; if noise stays, set the tube anew",
    "noise": "look at cable, plug and contacts",
    "drift": "take a reference reading; clean the contacts; correct or replace the probe",
    "loss of data": "look at logger, cable and supply",
    "few readings": "see whether the logger was set to another interval, and describe that; "
    "else look at logger, cable and supply",
    "wrong depth": "measure the tube's height above ground; correct set_in_cm in tubes.csv",
    "rotation visit": "",
    "swapped channels": "look at the wiring; correct the depths in wiring.csv",
}


@dataclass(frozen=True)
class Finding:
    """One row of evidence.

    ``depth_m`` is nominal, NaN for the whole tube; ``direction_deg`` NaN where none is meant.
    ``events`` counts what tells: storms, rounds or days. ``measure`` is held against
    ``threshold``, both in ``unit``. ``weight`` is what the finding makes of the tube alone.
    """

    tube: str
    kind: str
    depth_m: float
    direction_deg: float
    from_s: int
    until_s: int
    events: int
    measure: float
    threshold: float
    unit: str
    weight: Verdict
    sentence: str

    @property
    def action(self) -> str:
        """Return what to do about it."""
        return ACTIONS[self.kind]


COLUMNS = (*(field.name for field in fields(Finding)), "action")


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as a table, in the order given."""
    rows = [{**asdict(f), "weight": int(f.weight), "action": f.action} for f in findings]
    types = {"from_s": "int64", "until_s": "int64", "events": "int64", "weight": "int64"}
    types |= dict.fromkeys(("depth_m", "direction_deg", "measure", "threshold"), "float64")
    types |= dict.fromkeys(("tube", "kind", "unit", "sentence", "action"), "object")
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(types)


def percent(fraction: float) -> str:
    """Return a water content in volume per cent, to a tenth."""
    return f"{100 * fraction:.1f}"


def centimetres(depth_m: float) -> str:
    """Return a depth in whole centimetres, or to the millimetre where it is not whole."""
    return f"{100 * depth_m:.4g}"


def local_date(seconds: int, offset_s: int) -> str:
    """Return the day of an instant (UTC) in the site's standard time, as its books have it."""
    return str(pd.Timestamp(int(seconds) + offset_s, unit="s").date())
