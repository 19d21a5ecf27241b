"""Whether a process is still the one it was (Linux, where ``/proc`` tells)."""

from __future__ import annotations

from pathlib import Path


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
