"""Bits of ``outside_calibration``: why a reading has no water content. Never given anew.

They are compiled into functions marked ``@kernel``; by that word this file counts among the
sources by which compiled code is kept (`pipeline.compiled.source_hash`).
"""

from __future__ import annotations

OUTSIDE_PROBE, OUTSIDE_SOIL, NO_LAW = 1, 2, 4
