"""A logger whose clock falls back to an epoch, its files, and nights over them in memory."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from bare_site import make_site, make_tube, make_wire
from memory_store import MemoryStore

from pipeline.ingest import intake
from pipeline.ingest.ledger import Ledger
from pipeline.site.layout import Layout
from pipeline.site.models import Clock, Site, Source

START = datetime(2024, 3, 1, tzinfo=UTC)
START_S = int(START.timestamp())
STEP_S = 900
EPOCH_S = int(datetime(2000, 1, 1, tzinfo=UTC).timestamp())
NOW_S = START_S + 400 * 86_400


def lost_site(folder: Path, counted: bool, **clock: object) -> Site:
    """Return a site of one logger, whose files have a record counter or not."""
    stamp = {"base": "dateTime", "format": "yyyy-MM-dd HH:mm:ss"}
    number = {"base": "number"}
    columns = [{"name": "time", "role": "stamp", "datatype": stamp}]
    columns += [{"name": "record", "role": "counter", "datatype": number}] * counted
    columns += [{"name": "a", "datatype": number}]
    layout = Layout.model_validate({"id": "log", "tableSchema": {"columns": columns}})
    fields = {"quantity": "permittivity", "unit": "1", "probe": ""}
    return make_site(
        folder=folder,
        data=folder / "data",
        start=START,
        interval_s=STEP_S,
        sources=(
            Source(
                id="logger",
                kind="table",
                files="*.csv",
                layout="log",
                clock=Clock(**(clock or {"utc_offset": "Z"})),
            ),
        ),
        layouts={"log": layout},
        tubes=(make_tube(installed=START),),
        wiring=(make_wire(channel="a", **fields),),
    )


def row(stamp_s: int, record: int | None, value: float) -> str:
    """Return a line of a file; without a record the file has no such column."""
    shown = f"{datetime.fromtimestamp(stamp_s, UTC):%Y-%m-%d %H:%M:%S}"
    return ",".join([shown, *([] if record is None else [str(record)]), f"{value:g}"]) + "\n"


def page(rows: list[str]) -> str:
    """Return a file of some rows."""
    counted = bool(rows) and rows[0].count(",") == 2
    return ("time,record,a\n" if counted else "time,a\n") + "".join(rows)


class Nights:
    """Nights of one site over a store in memory."""

    def __init__(self, site: Site) -> None:
        self.site, self.store, self.ticks = site, MemoryStore(site.axis), 0
        site.data.mkdir(parents=True, exist_ok=True)

    def night(self, files: dict[str, str | None]) -> dict[str, object]:
        """Lay files down (None: take it away), run a night; return the ledger's totals."""
        for name, text in files.items():
            path = self.site.data / name
            path.unlink(missing_ok=True)
            if text is not None:
                path.write_text(text, encoding="utf-8")
                self.ticks += 10**9
                os.utime(path, ns=(self.ticks, self.ticks))
        before = self.store.read() if self.store.exists() else None
        with self.store.write() as writer:
            self.intake = intake.take_in(writer, before, self.site, NOW_S)
        totals = self.ledger.totals()
        assert totals["open_files"] == []
        fates = ("stored", "duplicates", "superseded", "rejected")
        assert totals["values_read"] == sum(totals[name] for name in fates)
        return totals

    @property
    def ledger(self) -> Ledger:
        """Return the newest ledger."""
        return Ledger.from_table(self.store.read().table("ledger"))

    def entry(self, name: str):
        """Return the account of a file."""
        return self.ledger.current("logger", name)

    def cells(self) -> dict[int, float]:
        """Return the stored values by step."""
        values = self.store.read().arrays["readings/permittivity"][:, 0, 0]
        return {int(k): float(values[k]) for k in np.flatnonzero(np.isfinite(values))}

    def state(self) -> tuple:
        """Return everything there is, without when files were written."""
        state = self.store.read()
        ledger = state.table("ledger").drop_columns(["modified_ns"]).to_pylist()
        arrays = {key: array.tobytes() for key, array in state.arrays.items()}
        return arrays, ledger, state.table("superseded").to_pylist()
