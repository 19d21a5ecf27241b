"""The numbers on the pages of what is computed are those of the program.

Each row is a piece of a page with its numbers left open, and the constants that fill them: one
that is changed has to be changed on its page, too.
"""

import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.accounts.space_account import WANTED
from pipeline.axis import DAY_S
from pipeline.calibrate import references, warmth
from pipeline.calibrate.cleanings import ABOUT_S, NEAR_S, SURE
from pipeline.calibrate.drift import RATINGS
from pipeline.calibrate.felt import FELT_WITHIN_M
from pipeline.derive import (
    conductivity,
    drainage,
    drained_hours,
    event_block,
    event_rows,
    events,
    flux_laws,
    fronts,
    night_laws,
    night_rates,
    night_smoothing,
    onsets,
    ranks,
    stability,
    texture_hydraulics,
    tube_fit,
    tube_laws,
    uptake,
)
from pipeline.derive.limits import LONGEST_SPELL_D, LimitRules
from pipeline.derive.rounds_comparison import DEPTH_TOLERANCE_M
from pipeline.derive.spacing import VARIOGRAM
from pipeline.qc import (
    arrivals,
    contact,
    drift_suspects,
    frost,
    jumps,
    neighbours,
    noise,
    placing,
    rotation,
    spikes,
    standing,
    tube_verdicts,
    wall,
)
from pipeline.report import site_map

DOCS = Path(__file__).parents[1] / "docs"
HOUR_S = 3600
RULES = LimitRules()
WORDS = {
    **dict(enumerate("no one two three four five six seven eight nine ten".split())),
    **{12: "twelve", 18: "eighteen", 48: "forty-eight", 54: "fifty-four", 60: "sixty"},
}


def word(number):
    """Return a whole number as the pages write it."""
    assert number == int(number)
    return WORDS[int(number)]


def percent(part):
    return f"{100 * part:g}"


EVENTS = [
    ("a climb of {:g} m³ m⁻³ in at most {}", fronts.RISE, word(fronts.CLIMB_DAYS)),
    ("a fall of {:g} or {} still days", fronts.FALL, word(fronts.STILL_DAYS)),
    ("the first reading {:g} above the base", onsets.ONSET_RISE),
    ("grow with the noise of the record ({:g}, ", fronts.RISE_NOISE),
    ("{:g} and {:g} times it)", fronts.FALL_NOISE, onsets.ONSET_NOISE),
    ("less than {} hours is the same front", word(fronts.PAUSE_S / HOUR_S)),
    ("began no more than {:g} days before", events.FOLLOW_DAYS),
    ("its mean over the {:g} hours up to", events.LEVEL_S / HOUR_S),
    ("mean of {} readings from that foot", word(events.TOP_READINGS)),
    ("({:g} where no law states", event_block.RELATIVE_ERROR),
    ("begins at most {:g} before the first onset", events.RAIN_LEAD_S / HOUR_S),
    ("taken as sure to {} %", percent(event_rows.RAIN_ERROR)),
    ("uncertainty is above {:g} mm", event_rows.NEAR_MM),
    ("for {:g} days at most", drainage.RECESSION_DAYS),
    ("less than {} readings or hours", drainage.LEAST_READINGS),
    ("of a fall below {:g}, or with a τ not", drainage.LEAST_FALL),
    ("within {:g} and {:g} hours", drainage.SHORTEST_H, drainage.LONGEST_H),
    ("fewer than {} days;", tube_laws.EVERY_NIGHT_DAYS + tube_laws.SETTLED_DAYS),
    ("from {} days on {} more", tube_laws.EVERY_NIGHT_DAYS, 64 // tube_laws.GROWN_SHARE),
    (
        "from {} days on {};",
        tube_laws.GROWN_DAYS * tube_laws.GROWN_SHARE,
        tube_laws.GROWN_DAYS,
    ),
    ("never the last {} days", tube_laws.SETTLED_DAYS),
    ("τ ln {:g}", 1 / drainage.DRAINED_LEFT),
    ("for {} days in a row", word(drainage.LONGEST_UNTOLD_S / DAY_S)),
    ("{} or more and no hole over three tenths", word(uptake.LEAST_NIGHT)),
    ("more than {:g} mm of rain", uptake.DRY_MM),
    ("rose by more than {:g} mm and {} times", uptake.WET_MM, word(uptake.WET_SURE)),
    ("after {:g} MJ m⁻² of radiation", uptake.FADES_FROM_MJ),
    ("no more after {:g}:", uptake.FADES_FROM_MJ + uptake.FADES_MJ),
    ("less than {:g} MJ m⁻²", uptake.LEAST_MJ_D),
    ("besides {:g} mm a metre", uptake.HELD_MM_M),
    ("noise ⊕ {:g}, of", uptake.UNSEEN_MM_D),
    ("⊕ {:g} over the number of sensors", uptake.UNSEEN_UPTAKE_MM_D),
    ("within {:g} days of the night", night_laws.USED_DAYS),
    ("wetter by more than {:g} than in any", night_laws.BEYOND),
    ("{} nights and a range of {:g}", word(night_laws.LEAST_FIT), night_laws.LEAST_SPAN),
    ("from {:g} to {:g}, offsets", night_laws.SLOPES[0], night_laws.SLOPES[-1]),
    ("weights 1/(n² + {:g}²)", night_laws.FIT_MM_D),
    ("(n² + {:g}² + ({:g} law)²)", night_rates.LAW_MM_D, night_rates.LAW_SHARE),
    ("nights beyond {:g} of their deviations", night_rates.FAR),
    ("the offset and spread {:g} with", night_rates.COMMON_MM_D),
    ("and {:g} u, and {:g}.", flux_laws.OFFSET_OF_USED, night_rates.FLUX_COMMON_MM_D),
    ("n² − n'² + {:g}² + l²", flux_laws.LAYER_MM_D),
    ("({:g} + {:g} u) ⊕ ", flux_laws.ANCHOR_MM_D, flux_laws.ANCHOR_OF_USED),
    ("⊕ {:g} of the rate, and is by laws", flux_laws.ANCHOR_SHARE),
    ("exponents up to {:g}", flux_laws.STEEPEST_LN),
    ("with noise n ⊕ {:g}", night_rates.NIGHT_MM_D),
    ("deviation {:g} ⊕ {:g} law", night_rates.OWN_MM_D, night_rates.OWN_SHARE),
    ("{} tenths of its variance", word(round(10 * night_smoothing.ONE_NIGHT, 9))),
    ("exp(−days/{:g})", night_smoothing.SLOW_DAYS),
    ("√(1 + {:g}/nights)", night_rates.FEW_NIGHTS),
    ("({:g} ⊕ {:g} rate)", night_rates.RATE_MM_D, night_rates.RATE_SHARE),
    ("exp(−(d / {:g})²)", night_rates.MORE_M),
    ("(1 − exp(−g / {:g} z))", night_rates.FULL_MM_M),
    ("spans {} hours", ", ".join(str(hour) for hour in drained_hours.EDGES_H)),
    ("the law counts {:g} times", 1 + drained_hours.MORE_SHARE),
    ("with a constant of {:g} hours", drained_hours.MORE_HOURS),
    ("sure to: {:g} of what passes", drained_hours.HOURS_SHARE),
    (
        "{:g} + {:g} exp(−d / {:g}) mm.",
        night_rates.LEAST_HELD_MM,
        night_rates.HELD_MM,
        night_rates.HELD_M,
    ),
    ("at most {} times the first night's", word(drainage.STEEPEST)),
    ("one is below {:g})", drainage.LEAST_FALLING),
    ("by classes of {:g} m³ m⁻³", conductivity.CLASS_WIDTH),
    ("nights ({} or more)", word(conductivity.LEAST_NIGHTS)),
    ("its mean n ⊕ {:g}", conductivity.CLASS_MM_D),
    ("{} tenths of the rate", word(round(10 * conductivity.GRADIENT_ERROR, 9))),
    ("half times the rate and {:g} mm a day", texture_hydraulics.TEXTURE_MM_D),
]
LIMITS = [
    ("(at least {} days)", word(RULES.shortest_spell_d)),
    ("falls below {:g} m³ m⁻³ a day", RULES.drained_rate),
    ("a peak of at least {:g} above", RULES.gain),
    ("rises by more than {:g},", RULES.rise),
    ("or for {:g} days", LONGEST_SPELL_D),
    ("a scale below {:g} is", RULES.drainable),
    ("two weeks within {:g} m³", RULES.plateau_range),
    ("that dried by {:g} a day", RULES.drying_rate),
    ("within the {:g} days before", RULES.drying_d),
]
STORAGE = [
    ("is {} of d²/h", {0.5: "half"}[VARIOGRAM.share]),
    ("and {:g} more;", VARIOGRAM.least),
    ("beyond the sensors it is {:g}.", VARIOGRAM.above),
    ("beyond the sensors it is {:g}.", VARIOGRAM.below),
]
SPACE = [
    ("{} daily values or more", word(tube_fit.LEAST_DATES)),
    ("(of {} days or more)", word(ranks.LEAST_IN_MONTH)),
    ("replacement {:g} times", stability.RESAMPLES),
    ("fewer than {} blocks", word(stability.LEAST_BLOCKS)),
    ("d = {:g} m³ m⁻³ and {:g} mm", WANTED["water_content"], WANTED["storage"]),
    ("means of the last {} days", word(site_map.DAYS)),
    ("more than {:g} cm deeper or higher", 100 * DEPTH_TOLERANCE_M),
]
QUALITY = [
    ("chunks of {:g} readings", noise.CHUNK),
    ("{} before and one after", word(noise.BEFORE)),
    ("({} to {})", word(noise.LEAST_STEADY), word(noise.MOST_STEADY)),
    ("below {} tenths of both", word(10 * noise.STEADY_PART)),
    ("never below {:g}.", spikes.LEAST_LEVEL),
    ("less of it than {:g} times the threshold", spikes.CURVE_LEAST),
    ("the lines counts for {:g} of itself", spikes.SIDES_SURE),
    ("*z* is {:g} times the mean", spikes.BOTH_SURE),
    ("counts for {:g} of itself instead", spikes.ARC_NONE),
    ("of the three before by {} times the noise", word(arrivals.STAYS_NOISE)),
    ("(both by {:g} times the noise)", arrivals.BEND_NOISE),
    ("by a fifth of it and {} times", word(arrivals.ABOVE_NOISE)),
    ("{:g} mm for each 0.01 m³ m⁻³", arrivals.MM_PER_RISE / 100),
    ("or more of {} readings zigzag", word(noise.BURST_READINGS)),
    ("{} to {}, back to", word(standing.LEAST_STUCK), word(standing.MOST_STUCK)),
    ("chunks before, at least {} %", percent(standing.LEAST_REPEATS)),
    ("only if {} % of it", percent(jumps.STEP_CLEAR)),
    ("by more than {} % and two and", percent(jumps.SHARP_UP_PART)),
    ("{} % will do", percent(jumps.STEP_AT_ONCE)),
    ("the {} readings on either side", word(jumps.SLOPE_SIDE)),
    ("at least {:g} m³ m⁻³)", frost.FALL_LEAST),
    ("from the {} before it", word(frost.WARM_UP)),
    ("{:g}° N, May to October", frost.LEAST_LATITUDE),
]
UNCERTAINTY = [
    ("within {:g} cm of the edge", 100 * FELT_WITHIN_M),
    ("within {:g} cm of it in the tube", 100 * warmth.NEAR_M),
    ("at most {} hours apart", word(warmth.NEAR_S / HOUR_S)),
]
TUBES = [
    ("less than {:g} days of record", tube_verdicts.LEAST_DAYS),
    ("Limit: {} % by volume", percent(rotation.LEAST_LIMIT)),
    ("the last {} rounds", word(rotation.LAST_ROUNDS)),
    ("rises by {} % within an hour", percent(wall.FLASH_RISE)),
    ("to half within {:g} h", wall.FLASH_HALF_H),
    ("over {:g} cm or more", 100 * wall.LEAST_REACH_M),
    ("in {} heavy storms", word(tube_verdicts.LEAST_STORMS)),
    ("are {:g} times as noisy", contact.POOR_NOISE),
    ("is {} times as noisy as its like", word(contact.NOISY)),
    ("and by {} %", percent(contact.LEAST_NOISE)),
    ("by {} % together", percent(contact.SWING)),
    ("half of the last {:g} days", contact.LOSS_DAYS),
    ("(correlation {:g}, ", placing.LEAST_SWAP_FIT),
    ("at one {:g}, and both", placing.LEAST_FIT),
    ("(of the {} days before)", word(neighbours.USUAL_DAYS)),
    ("by more than {} % and", percent(neighbours.LEAST_DEPARTURE)),
    ("more than {} usual spreads", word(neighbours.DEPARTURE_SPREADS)),
]
DRIFT = [
    ("over √n, at least {:g} m³ m⁻³", references.LEAST_HAND_ERROR),
    ("readings {} hours before and after", word(ABOUT_S / HOUR_S)),
    ("readings within {:g} hours of it", NEAR_S / HOUR_S),
    ("less {} times the noise", word(SURE)),
    *(("{} to {:g}", name, most) for most, name in RATINGS if np.isfinite(most)),
    ("is p ≤ {:g} with", drift_suspects.LARGEST_P),
    ("at least {:g} m³ m⁻³ a year", drift_suspects.LEAST_SLOPE),
    ("a year and {:g} in all", drift_suspects.LEAST_CHANGE),
    ("(up to {:g} of it)", drift_suspects.MOST_SHARE),
]
PIECES = [
    (page, *piece)
    for page, pieces in {
        **{"events.md": EVENTS, "limits.md": LIMITS, "storage.md": STORAGE},
        **{
            "space.md": SPACE,
            "uncertainty.md": UNCERTAINTY,
            "quality.md": QUALITY,
            "tubes.md": TUBES,
            "drift.md": DRIFT,
        },
    }.items()
    for piece in pieces
]


def told(page):
    return re.sub(r"\s+", " ", (DOCS / page).read_text(encoding="utf-8"))


def filled(piece, numbers):
    return piece.format(*numbers)


@pytest.mark.parametrize("page", sorted({page for page, *_ in PIECES}))
def test_a_page_has_the_numbers_of_the_program(page):
    text = told(page)
    mine = [(piece, numbers) for name, piece, *numbers in PIECES if name == page]
    assert [f for p, n in mine if (f := filled(p, n)) not in text] == []


def test_what_is_known_before_of_the_laws_of_flux_is_that_of_the_program():
    rows = re.findall(
        r"^  \| (?:before|deviation) \|(.*)\|$", (DOCS / "events.md").read_text(), re.M
    )
    found = [[float(cell) for cell in row.split("|")] for row in rows]
    a, b, c, d, off, share = flux_laws.BEFORE.T.tolist()
    columns = [a, b, c, d, share, off, list(flux_laws.OFFSET_MM_D)]
    assert found == np.transpose(columns).tolist()
