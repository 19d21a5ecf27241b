"""A site with a store of two nights, whose chunks and raw files are to be spoilt."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from icechunk import IcechunkError

from pipeline.accounts.verify import Verified, verify_site
from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.store.sums import StoreSums

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"


def export(day: int) -> str:
    return HEADER + "".join(
        f"{day:02d}.03.2023 {h:02d}:{m:02d};{300 + 3 * h + day},5;{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )


def make_sound(folder: Path) -> Path:
    """Write the site with its raw files and run two nights; return its folder."""
    shutil.copytree(FIELD, folder)
    for day in (10, 11):
        path = folder / "data" / "logger-a" / f"2023-03-{day}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(export(day), encoding="utf-8")
        night.store_night(folder, NOW)
    return folder


def store_of(folder: Path) -> Path:
    return Path(night.open_description(folder).store)


def state_of(folder: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    tables = {n: snapshot.table(n) for n in snapshot.tables() if n != "day_nights"}
    return arrays, tables


def flip(path: Path, at: int, bit: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(data)


def newest_files(folder: Path) -> list[Path]:
    """Return the files of the store that the newest state cannot do without."""
    store = store_of(folder)
    session = night.site_store(night.open_description(folder))._open()
    at = datetime.now(UTC)
    session.expire_snapshots(older_than=at)
    session.garbage_collect(at)
    StoreSums(store).tidy()
    files = [p for p in store.rglob("*") if p.is_file() and p.parent.name != "transactions"]
    return sorted(files)


def chunk_files(folder: Path) -> list[Path]:
    return sorted(newest_files(folder)[0].parents[1].glob("chunks/*"))


def spoil(folder: Path, key: str) -> Verified:
    """Flip bits of one chunk after another until the one of ``key`` is hit."""
    for path in chunk_files(folder):
        flip(path, path.stat().st_size // 2, 2)
        if not can_be_read(folder, key):
            found = verify_site(folder)
            assert f"store: {key}" in [problem["file"] for problem in found["problems"]]
            return found
        flip(path, path.stat().st_size // 2, 2)
    raise LookupError(key)


def can_be_read(folder: Path, key: str) -> bool:
    """Tell whether an array, or a table, of the newest state can be read whole."""
    snapshot = night.site_store(night.open_description(folder)).read()
    try:
        if key.startswith("table "):
            snapshot.table(key.removeprefix("table "))
        else:
            snapshot.array(key)[:]
    except (IcechunkError, ValueError, RuntimeError):
        return False
    return True
