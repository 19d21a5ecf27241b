"""What a schedule remembers: for which sites, since when, and when its last night began."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.refusals import told

logger = logging.getLogger("pipeline.schedule")

_PLAN, _NIGHT = "schedule.json", "schedule-night.json"


@dataclass(frozen=True)
class ScheduleBook:
    """A schedule, and its last night."""

    sites: tuple[str, ...] = ()
    at: str = ""
    zone: str = ""
    since: datetime | None = None  # since when it has been served so
    began: datetime | None = None
    ended: datetime | None = None


def read_schedule(state: Path) -> ScheduleBook:
    """Return what is remembered; an empty book where nothing can be read."""
    plan, night = _read(state / _PLAN), _read(state / _NIGHT)
    return ScheduleBook(
        tuple(plan.get("sites", ())),
        str(plan.get("at", "")),
        str(plan.get("zone", "")),
        _instant(plan.get("since")),
        _instant(night.get("began")),
        _instant(night.get("ended")),
    )


def write_plan(state: Path, sites: list[str], at: str, zone: str, now: datetime) -> None:
    """Remember a schedule; a changed one counts from now, so that it catches up nothing."""
    before = read_schedule(state)
    same = before.sites == tuple(sites) and (before.at, before.zone) == (at, zone)
    since = before.since if same and before.since is not None else now
    plan = {"sites": sites, "at": at, "zone": zone, "since": since.isoformat()}
    _write(state / _PLAN, plan)


@contextmanager
def note_night(state: Path, now: datetime) -> Iterator[None]:
    """Note when a night began, and when it ended whatever came of it.

    Where the disk refuses the note the night runs all the same: a full one is to be told.
    """
    _note(state, {"began": now.isoformat()})
    try:
        yield
    finally:
        ended = datetime.now(UTC).isoformat()
        _note(state, {"began": now.isoformat(), "ended": ended})


def _note(state: Path, night: dict[str, object]) -> None:
    try:
        _write(state / _NIGHT, night)
    except OSError as error:
        logger.warning("the night could not be noted: %s", told(error) or error)


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _write(path: Path, content: dict[str, Any]) -> None:
    with replacing(path, 0o600) as temporary:
        temporary.write_text(json.dumps(content) + "\n", encoding="utf-8")


def _instant(text: Any) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except (ValueError, TypeError):
        return None
    return found if found.tzinfo else found.replace(tzinfo=UTC)
