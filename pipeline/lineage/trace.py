"""The trace: from one value of a site's store back to its cells, laws, wiring, file and line.

Everything is read from the store and the site description; of a raw file only the one line
and, unless the file is large, its hash. No reading is parsed and nothing is computed anew but
sums and means, which are checked against what is stored.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline.axis import iso_utc
from pipeline.lineage.daily import trace_daily_rain, trace_daily_storage, trace_daily_water
from pipeline.lineage.products import trace_rain, trace_storage
from pipeline.lineage.view import Moment, Sensor, TraceError, View, utc_text
from pipeline.lineage.water import trace_water
from pipeline.outcomes import outcome_of, worst
from pipeline.site.fingerprint import site_hash
from pipeline.store.site_store import SiteStore


@dataclass(frozen=True)
class Question:
    """What is to be traced.

    ``tube`` names a station for rain. ``depth_cm`` is needed for what belongs to a sensor,
    ``layer`` for stored water; ``commit`` None is the newest state. Of a product that is a row
    of numbers ``number`` names one, "" the usual one; ``event``, ``group``, ``months`` and
    ``water`` [m3 m-3] name the row where tube, depth and time do not; ``direction`` [degree]
    is that of a hand reading.
    """

    tube: str
    time: datetime | None = None
    depth_cm: float | None = None
    product: str = "water"
    layer: str = ""
    commit: str | None = None
    number: str = ""
    event: str = ""
    group: str = ""
    months: str = ""
    water: float | None = None
    direction: float | None = None

    @property
    def at(self) -> datetime:
        """Return the time asked for; TraceError where none is."""
        if self.time is None:
            raise TraceError(f"found no --time; expected the time of {self.product}")
        return self.time

    @property
    def place(self) -> tuple[float | None, str]:
        """Return the depth [m], or the layer, in which tubes are compared."""
        return None if self.depth_cm is None else self.depth_cm / 100, self.layer


def trace_cell(folder: Path, question: Question) -> dict[str, Any]:
    """Return everything that is known of one value of a site.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    question : Question
        The step nearest to its time is traced; of a daily product the day it lies in.

    Returns
    -------
    dict
        JSON-ready: ``site``, ``state``, ``asked``, ``cell``, what the product's own trace
        returns (`PRODUCTS`), and ``remarks``.

    Raises
    ------
    TraceError
        If there is no such tube, depth, layer, time or product; it says which there are.
    SiteError, StoreError
        If the description or the store cannot be read.
    """
    if question.product not in PRODUCTS:
        raise TraceError(
            f"found product {question.product!r}; expected one of {', '.join(PRODUCTS)}"
        )
    view = View.open(folder, question.commit)
    cell, account = PRODUCTS[question.product](view, question)
    _remark_on_description(view)
    return {
        "site": view.site.id,
        "title": view.site.title,
        "state": {"commit": view.commit, "written": utc_text(view.written)},
        "product": question.product,
        "asked": {
            "tube": question.tube,
            "depth_cm": question.depth_cm,
            "layer": question.layer or None,
            "time": utc_text(question.time),
            **{
                name: getattr(question, name)
                for name in _NAMED
                if getattr(question, name) not in ("", None)
            },
        },
        "cell": cell,
        **account,
        "remarks": list(dict.fromkeys(view.remarks)),
        **({"failures": view.failures} if view.failures else {}),
    }


def trace(folder: Path | None, file: Path | None, question: Question) -> dict[str, Any]:
    """Trace a value of a site's store, or of a delivered file, for the command.

    Returns
    -------
    dict
        As `trace_cell` or `pipeline.lineage.delivered.trace_delivered`, with ``outcome``:
        ``attention`` where a raw file has changed, or a sum or a delivered value is not the
        stored one.

    Raises
    ------
    TraceError
        Also if neither a site nor a file is given.
    """
    if file is not None:
        from pipeline.lineage.delivered import trace_delivered

        account = trace_delivered(file, question, folder)
    elif folder is not None:
        account = trace_cell(folder, question)
    else:
        raise TraceError("found neither SITE nor --file; expected one of them")
    sound = "done" if _is_sound(account) else "attention"
    return {**account, "outcome": worst([outcome_of(account.get("failures", ())), sound])}


def _is_sound(account: dict[str, Any]) -> bool:
    """Tell whether everything that was checked agreed."""
    changed = account.get("file", {}).get("state") == "changed"
    agrees = account.get("agrees", True) and account.get("delivered", {}).get("agrees", True)
    return bool(agrees) and not changed and all(_lines_sound(account.get("rests_on", ())))


def _lines_sound(groups: Iterable[dict[str, Any]]) -> Iterator[bool]:
    """Yield for each raw line of some groups whether its file and the sums above it hold."""
    for group in groups:
        for item in group["items"]:
            for part in (item, *item.get("parts", ())):
                led = part.get("origin", {})
                yield led.get("file", {}).get("state") != "changed"
                yield all(r["file"]["state"] != "changed" for r in part.get("hand", ()))
                yield from (step["agrees"] for step in led.get("path", ()))


def _when(view: View, moment: Moment, product: str) -> dict[str, Any]:
    """Return the step, or the first step of the day, and whether the time is off the grid."""
    if product not in _BY_DAY:
        return {
            "time": moment.time,
            "step": moment.step,
            "asked_off_by_s": moment.asked_off_by_s,
        }
    axis = view.site.axis
    day = moment.step // axis.steps_per_day
    begins = int(axis.seconds(day * axis.steps_per_day, day * axis.steps_per_day + 1)[0])
    return {"time": iso_utc(begins), "day": day, "asked_off_by_s": 0}


def _remark_on_description(view: View) -> None:
    """Say so if the site is described otherwise now than when the state was computed."""
    store = SiteStore(view.site.store, view.site.axis, view.site.id)
    then = store.metadata(view.commit).get("site_hash")
    if then is not None and then != site_hash(view.site):
        view.remarks.insert(
            0,
            "the site is described otherwise now than when this state was computed; laws and "
            "limits shown are those of the state, names and rows those of today",
        )


Traced = tuple[dict[str, Any], dict[str, Any]]
_NAMED = ("number", "event", "group", "months", "water", "direction")
_BY_DAY = ("daily_water_content", "daily_storage", "daily_rain", "uptake", "site_mean")
# Numbers that stand in rows of tables.
ROW_PRODUCTS = (
    *("event", "uptake", "conductivity", "limits"),
    *("site_mean", "stability", "rank_correlation"),
)


def timed(
    traced: Callable[[View, Question, Moment], Traced],
) -> Callable[[View, Question], Traced]:
    """Return the trace of a value that has a time, which is told with its cell."""

    def with_time(view: View, question: Question) -> Traced:
        moment = view.moment(question.at)
        cell, account = traced(view, question, moment)
        return {**cell, **_when(view, moment, question.product)}, account

    return with_time


def _water(view: View, question: Question, moment: Moment) -> Traced:
    sensor = sensor_asked(view, question)
    return at_sensor(sensor), trace_water(view, sensor, moment)


def _daily_water(view: View, question: Question, moment: Moment) -> Traced:
    sensor = sensor_asked(view, question)
    return at_sensor(sensor), trace_daily_water(view, sensor, moment)


def _storage(view: View, question: Question, moment: Moment) -> Traced:
    tube = view.tube(question.tube)
    return {"tube": tube.tube}, trace_storage(view, tube, question.layer, moment)


def _daily_storage(view: View, question: Question, moment: Moment) -> Traced:
    tube = view.tube(question.tube)
    return {"tube": tube.tube}, trace_daily_storage(view, tube, question.layer, moment)


def _rain(view: View, question: Question, moment: Moment) -> Traced:
    account = trace_rain(view, question.tube, moment)
    return {"station": account.pop("station")}, account


def _daily_rain(view: View, question: Question, moment: Moment) -> Traced:
    account = trace_daily_rain(view, question.tube, moment)
    return {"station": account["trace"]["tube"]}, account


def _hand(view: View, question: Question) -> Traced:
    # Hand readings are calibrated anew, which loads what no other trace needs.
    from pipeline.lineage.hand import Asked, trace_hand

    if question.depth_cm is None:
        raise TraceError(f"found no --depth; expected the depth [cm] of {question.product}")
    at_s = round(question.at.timestamp())
    asked = Asked(question.tube, question.depth_cm / 100, at_s, question.direction)
    return trace_hand(view, asked)


def _row(view: View, question: Question) -> Traced:
    # Rows are made again by steps of the night, which load what no other trace needs.
    from pipeline.lineage.row_products import ROW_TRACES

    return ROW_TRACES[question.product](view, question)


def sensor_asked(view: View, question: Question) -> Sensor:
    """Return the sensor asked for; TraceError without a depth."""
    tube = view.tube(question.tube)
    if question.depth_cm is None:
        raise TraceError(f"found no --depth; expected the depth [cm] of {question.product}")
    return view.sensor(tube, question.depth_cm / 100)


def at_sensor(sensor: Sensor) -> dict[str, Any]:
    """Return how a sensor is named in a trace."""
    return {
        "tube": sensor.tube.tube,
        "nominal_depth_m": sensor.nominal_m,
        "real_depth_m": sensor.real_m,
        "matched_by": sensor.matched,
    }


PRODUCTS: dict[str, Callable[[View, Question], Traced]] = {
    "water": timed(_water),
    "storage": timed(_storage),
    "daily_water_content": timed(_daily_water),
    "daily_storage": timed(_daily_storage),
    "rain": timed(_rain),
    "daily_rain": timed(_daily_rain),
    "hand_reading": _hand,
    **dict.fromkeys(ROW_PRODUCTS, _row),
}
