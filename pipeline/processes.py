"""Processes and what ends with them: which one it is, its parent, work that was given up.

What is asked of the system is known on Linux alone.
"""

from __future__ import annotations

import ctypes
import signal
import sys
import threading
from pathlib import Path

_PARENT_DEATH = 1  # PR_SET_PDEATHSIG of prctl(2)


def status(folder: Path) -> list[str] | None:
    """Return the fields of proc(5) ``stat`` after the name, or None if there are none."""
    try:
        text = (folder / "stat").read_text()
    except OSError:
        return None
    return text.rpartition(")")[2].split()


def started(pid: int) -> str | None:
    """Return when a process started, in ticks since boot, or None if that cannot be told."""
    fields = status(Path("/proc") / str(pid))
    if not fields or fields[0] == "Z":  # ended, only not yet collected
        return None
    return fields[19]  # field 22 of proc(5), counted after the name


def end_with_parent() -> None:
    """Have the system end this process when the one that started it is gone."""
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(_PARENT_DEATH, signal.SIGTERM)


_given_up: list[threading.Thread] = []


def give_up(work: threading.Thread) -> None:
    """Leave work to itself that may never return; the process need not wait for it to end."""
    _given_up.append(work)


def work_is_left() -> bool:
    """Tell whether work that was given up still runs; its own threads would be waited for."""
    return any(work.is_alive() for work in _given_up)
