"""Where runs keep what belongs to no site."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def state_folder() -> Path:
    """Return where runs keep what belongs to no site: the orchestrator's files, tracebacks.

    ``PERCOLOG_STATE`` if set; otherwise ``percolog`` in the user's state folder (XDG), or in
    ``LOCALAPPDATA`` on Windows. Where it cannot be written its users do without and say so.
    """
    chosen = os.environ.get("PERCOLOG_STATE")
    if chosen:
        return Path(chosen).absolute()
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or home() / "AppData" / "Local"
    else:
        base = os.environ.get("XDG_STATE_HOME") or home() / ".local" / "state"
    return Path(base).absolute() / "percolog"


def home() -> Path:
    """Return the user's home folder, or the root if no account tells of one."""
    try:
        return Path.home()
    except RuntimeError:
        return Path("/")
