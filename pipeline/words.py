"""How counts and spans of time are said in English."""

from __future__ import annotations

HOURS_TOLD = 72  # longer is said in days


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, in the singular for one: ``1 file``, ``0 files``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def also_in(more: int) -> str:
    """Return the end of what is found of one file and of so many more; empty for no more."""
    return f", and so in {counted(more, 'more file')}" if more > 0 else ""


def span_of_hours(hours: float) -> str:
    """Return a span in hours, or in days where it is long."""
    if hours < HOURS_TOLD:
        return f"{hours:.0f} h"
    return f"{hours / 24:.0f} days"
