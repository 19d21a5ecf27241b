"""Bits of ``outside_calibration``: why a reading has no water content. Never given anew."""

from __future__ import annotations

OUTSIDE_PROBE, OUTSIDE_SOIL, NO_LAW = 1, 2, 4
IMPOSSIBLE = 8  # hand readings only: logged ones have quality tests
