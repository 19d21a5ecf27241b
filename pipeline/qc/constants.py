"""Numbers of the quality tests that no site sets, free of compiled code.

They are compiled into functions marked ``@kernel``; by that word this file counts among the
sources by which compiled code is kept (`pipeline.compiled.source_hash`).
"""

from __future__ import annotations

HOUR_S = 3600
# A longer gap ends a run of equal readings: nobody saw the sensor stand still.
FLAT_GAP_S = 24 * HOUR_S
# Water that made a plateau came within this time before it.
FLAT_ENTRY_S = 24 * HOUR_S
# The change of a shorter step is taken as that of an hour: a front arrives within one step
# however short the step, so its rate per hour means nothing below that.
RATE_SHORTEST_H = 1.0
# Over a longer step than this a whole wetting and draining can hide behind one reading, so a
# reading that stands out is never certain to be a fault.
SPIKE_LONGEST_STEP_S = HOUR_S
# Readings rest as float32: a difference equal to its threshold may come out a hair above it.
# Ten times that rounding at 1 m3 m-3; no threshold in use is meant so finely.
ROUNDING = 1e-6
# A spike comes back: the readings on its two sides differ by no more than this part of it.
# Water that came stays a while (drainage slows down as it goes on), so a real peak does not.
SPIKE_RETURN = 0.1
# Smallest rise that counts as water arriving before a plateau.
PLATEAU_RISE = 0.03  # m3 m-3
