"""A stand-in for the work of a night, so that command and flow are tested by themselves.

``install`` puts it in the place of ``pipeline.nights.night``. What a site does is written in
its folder: a file ``store``, ``deliver``, ``draw`` or ``close`` holds the name of the error
which that part raises; ``<part>.sleep`` how many seconds it takes; each call appends to
``calls``.
"""

from __future__ import annotations

import sys
import time
import types
from datetime import datetime
from pathlib import Path

from pipeline.errors import LockedError, Problem, SiteError

PROBLEM = Problem(
    "tubes.csv", "line 3, column soil", "'loma'", "a soil of soils.toml", "Mend it."
)
ERRORS = {
    "SiteError": SiteError([PROBLEM]),
    "LockedError": LockedError("store: another run is writing"),
    "OSError": OSError(5, "Input/output error"),
    "FileNotFoundError": FileNotFoundError(2, "No such file or directory", "gone.csv"),
    "ValueError": ValueError("shapes do not fit"),
}

PUBLIC = (
    "store_night",
    "deliver_night",
    "draw_night",
    "close_night",
    "ledger_report",
    "open_description",
)


def _play(folder: Path, part: str) -> None:
    with (folder / "calls").open("a") as calls:
        calls.write(f"{part}\n")
    pause = folder / f"{part}.sleep"
    if pause.exists():
        time.sleep(float(pause.read_text()))
    script = folder / part
    if script.exists():
        raise ERRORS[script.read_text().strip()]


def store_night(folder: Path, now: datetime) -> dict:
    _play(folder, "store")
    set_aside = []
    if (folder / "set_aside").exists():
        set_aside = [{**PROBLEM.as_dict(), "count": 12}]
    return {
        "site": folder.name,
        "commit": "ABC123",
        "message": f"2 files, {now:%Y-%m-%d}",
        "set_aside": set_aside,
        "ledger": {"values_read": 10, "values_stored": 10},
        "tubes": [
            {
                "tube": "T1",
                "expected": 10,
                "good_pct": 90.0,
                "suspect_pct": 10.0,
                "bad_pct": 0.0,
                "missing_pct": float("nan"),
                "last_reading": "2026-03-01T00:00Z",
            }
        ],
        "raw_files": {"found": 2, "read": 2},
        "timings_s": {"ingest": 0.1},
    }


def deliver_night(folder: Path, night: dict) -> dict:
    _play(folder, "deliver")
    counts = {"netcdf": 1, "tables": 0}
    return {"delivered": [str(folder / "out.nc")], "delivered_counts": counts}


def draw_night(folder: Path, night: dict) -> dict:
    _play(folder, "draw")
    return {"pictures": [str(folder / "T1.png")]}


def close_night(folder: Path, night: dict, *parts: dict) -> dict:
    _play(folder, "close")
    summary = dict(night)
    for part in parts:
        summary |= part
    outcome = "attention" if night["set_aside"] else "done"
    summary["summary_files"] = [str(folder / "out" / "summary.json")]
    return {**summary, "outcome": "failed" if "failures" in summary else outcome}


def ledger_report(folder: Path) -> dict:
    reject = {
        "reason": "not_a_number",
        "rows": 0,
        "values": 1,
        "first_line": 7,
        "found": "'x\x1b[2J'",
        "expected": "a number",
    }
    row = {
        "source": "logger",
        "revision": 1,
        "state": "read",
        "size": 99,
        "sha256": "0" * 64,
        "first": None,
        "last": None,
        "rows_read": 5,
        "values_read": 6,
        "stored": 5,
        "duplicates": 0,
        "superseded": 0,
        "rejected": 1,
        "closes": True,
    }
    files = [
        {"path": "a.csv", **row, "rejects": [reject], "repairs": []},
        {"path": "b.csv", **row, "rejects": [], "repairs": []},
    ]
    sums = {"values_read": 12, "stored": 10, "rejected": 2}
    totals = {"files": 2, **sums, "reasons": {"not_a_number": {"rows": 0, "values": 2}}}
    return {"site": folder.name, "files": files, "totals": totals}


def open_description(folder: Path) -> object:
    raise ERRORS["SiteError"]


def install() -> None:
    """Replace ``pipeline.nights.night`` in this process."""
    from pipeline import nights

    module = types.ModuleType("pipeline.nights.night")
    for name in PUBLIC:
        setattr(module, name, globals()[name])
    sys.modules["pipeline.nights.night"] = module
    nights.night = module  # type: ignore[attr-defined]


def main() -> None:
    """Run the command on stand-in nights."""
    install()
    from pipeline.cli import command

    command()


if __name__ == "__main__":
    main()
