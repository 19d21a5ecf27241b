"""Numbers of the quality tests that no site sets, free of compiled code."""

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
# reading that stands out is never certain to be a fault, and noise is not told from soil.
SPIKE_LONGEST_STEP_S = HOUR_S
# Readings rest as float32: a difference equal to its threshold may come out a hair above it.
# Ten times that rounding at 1 m3 m-3; no threshold in use is meant so finely.
ROUNDING = 1e-6
# A spike comes back: the readings on its two sides differ by no more than this part of it.
# Water that came stays a while (drainage slows down as it goes on), so a real peak does not.
SPIKE_RETURN = 0.1
# A sensor that had a spike is held to have more of them for so long.
SPIKE_MEMORY_S = 15 * 24 * HOUR_S
# In a frost shorter than this a reading below those beside it is ice and no spike.
FROST_SHORT_S = 12 * HOUR_S
# The noise that spikes are held against is that of about this time.
STEADY_S = 18 * 24 * HOUR_S
# Smallest rise that counts as water arriving before a plateau.
PLATEAU_RISE = 0.03  # m3 m-3
# A stuck sensor is suspect from its first equal reading on, while that is not longer ago.
STUCK_VISIBLE_H = 240.0
# The noise that a burst is held against is the quietest of about this time.
QUIET_S = 3 * 24 * HOUR_S
# Over this time a sensor is held against those above and below.
NEIGHBOUR_S = 6 * HOUR_S
# A temperature, or a supply voltage, holds until the next one, but no longer than this.
TEMPERATURE_HOLDS_S = 12 * HOUR_S
SUPPLY_HOLDS_S = 24 * HOUR_S
# The highest supply is sought so far back: a week has days of sun.
SUPPLY_BACK_S = 7 * 24 * HOUR_S
