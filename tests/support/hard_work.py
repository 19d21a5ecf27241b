"""Work for workers that is hard on them; importable where they run."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import fake_night


def be_killed(folder: Path, times: int) -> str:
    """End this process as a system short of memory does, the first ``times`` times."""
    with (folder / "calls").open("a") as calls:
        calls.write("called\n")
    if len((folder / "calls").read_text().split()) <= times:
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def script_nights() -> None:
    """Put the stand-in night in place of the real one, in this process."""
    from pipeline.nights import parts

    parts.work = fake_night


def unscript_nights() -> None:
    """Put the real night back."""
    from pipeline.nights import night, parts

    parts.work = night
