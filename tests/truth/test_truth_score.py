"""The scores: right on hand-made verdicts; what must be reached on unseen truth."""

import numpy as np
import pytest
import xarray as xr
from truth_field import DIMS, LOOKED_AT_SEEDS, TUNING_SEEDS, make_field
from truth_score import (
    Counts,
    covered,
    false_flags,
    free_of_faults,
    run_steps,
    score_cells,
    score_episodes,
    score_fronts,
    spike_recall,
    storage_errors,
)
from truth_site import Instruments
from truth_standing import ALL, PLANTED, score_standing, without_noise

from pipeline.qc.flags import Quality, pack


@pytest.fixture(scope="module")
def short():
    return make_field(TUNING_SEEDS[0], ("loam",), days=40, faults=("spike", "stuck"))


def verdict(field, name, mask):
    """Return a result in which one test fired in the cells of a mask."""
    return xr.Dataset({"tests": pack({name: xr.DataArray(mask, dims=DIMS)})})


def test_scores_of_counts():
    # by hand: precision 3/4, recall 3/5, so F1 = 2 * 0.75 * 0.6 / 1.35.
    counts = Counts(found=3, missed=2, false=1)
    assert counts.f1 == pytest.approx(2 * 0.75 * 0.6 / 1.35)
    assert counts.recall == pytest.approx(0.6)
    assert counts + Counts(1, 1, 1) == Counts(4, 3, 2)
    assert np.isnan(Counts().f1)


def test_perfect_verdicts_score_one_and_none_score_nothing(short):
    mask = short.label_mask("spike")
    count = int(mask.sum())
    perfect = verdict(short, "spike", mask)
    assert score_cells(short, perfect, "spike") == Counts(count, 0, 0)
    assert score_episodes(short, perfect, "spike") == Counts(count, 0, 0)
    nothing = verdict(short, "spike", np.zeros_like(mask))
    assert score_cells(short, nothing, "spike") == Counts(0, count, 0)
    recall = spike_recall(short, perfect).values()
    assert sum((c.found for c in recall), 0) == count


def test_what_stands_off_as_logged(short):
    still = without_noise(TUNING_SEEDS[0], ("loam",), 600, 40, ("spike", "stuck"))
    logged = short.readings["permittivity"].transpose(*DIMS).values
    off = np.abs(logged - still) / Instruments().noise
    planted = short.label_mask("spike")
    # By hand: away from spikes and stuck sensors what is left is noise, and its rounding.
    rest = off[~short.label_mask()]
    assert np.sqrt((rest**2).mean()) == pytest.approx(np.hypot(1, 0.25 / 12**0.5), rel=0.01)
    found = score_standing(short, still, verdict(short, "spike", planted & (off >= 4)))
    count = int((planted & (off >= 4)).sum())
    assert found[PLANTED] == Counts(count, 0, 0)
    # Two-sided tail beyond four of a normal deviate is 6.3e-5.
    expected = 6.3e-5 * short.readings["permittivity"].size
    assert 0 < found[ALL].missed < 3 * expected
    assert found[ALL].found == count


def test_a_flag_far_from_faults_is_false_and_one_beside_a_fault_is_not(short):
    label = next(x for x in short.labels if x.kind == "spike")
    cell = (
        list(short.roles).index(label.tube),
        [*short.truth["depth"].values].index(label.depth_m),
    )
    mask = np.zeros_like(short.label_mask())
    mask[label.first + 1, *cell] = True
    assert score_cells(short, verdict(short, "spike", mask), "spike").false == 0
    mask[label.first + 20 : label.first + 22, *cell] = True
    assert score_cells(short, verdict(short, "spike", mask), "spike").false == 2
    assert score_episodes(short, verdict(short, "spike", mask), "spike").false == 1


def test_fronts_flagged_bad_or_cut_are_counted(short):
    result = run_steps(short)
    before = score_fronts(short, result)
    assert before.seen > 10
    free = free_of_faults(short)
    tubes, depths = list(short.roles), [*short.truth["depth"].values]
    for event in short.events.itertuples():
        cell = (tubes.index(event.tube), depths.index(event.depth))
        if event.gain > 0.03 and free[event.onset - 1 : event.peak + 1, *cell].all():
            break
    spoilt = result.copy(deep=True)
    spoilt["quality"].values[event.onset : event.peak + 1, *cell] = Quality.BAD
    spoilt["cleaned_water_content"].values[event.onset : event.peak + 1, *cell] = np.nan
    after = score_fronts(short, spoilt)
    assert (after.bad - before.bad, after.lost - before.lost) == (1, 1)


def test_coverage_counts_cells_inside_their_interval(clean, clean_result):
    truth = clean.truth["water_content"]
    for shift, expected in ((1.9, 1.0), (2.1, 0.0)):
        moved = clean_result.assign(
            calibrated_water_content=truth + np.float32(shift * 0.01),
            random_error=xr.full_like(truth, 0.006),
            systematic_error=xr.full_like(truth, 0.008),
        )
        assert (covered(clean, moved) == expected).all()


def test_storage_errors_part_into_spacing_and_the_rest(clean, clean_result):
    exact = clean_result.assign(storage=clean.truth["storage"])
    errors = storage_errors(clean, exact)
    assert errors.rmse("total") == pytest.approx(0.0, abs=1e-6)
    assert errors.rmse("spacing") == pytest.approx(errors.rmse("rest"))
    assert 0.3 < errors.rmse("spacing") < 10  # the trapezoid over six depths costs something


def test_no_front_is_flagged_bad_or_lost_on_unseen_truth(
    spoilt, spoilt_result, clean, clean_result
):
    fronts = score_fronts(spoilt, spoilt_result) + score_fronts(clean, clean_result)
    assert fronts.seen > 100
    assert (fronts.bad, fronts.lost) == (0, 0)


def test_clean_data_is_hardly_flagged_on_unseen_truth(clean, clean_result):
    flagged, cells = false_flags(clean, clean_result)["any"]
    assert cells > 300_000
    assert flagged <= 0.001 * cells


@pytest.mark.parametrize("kind", ["dropout", "out_of_range"])
def test_lost_and_impossible_readings_are_found_on_unseen_truth(spoilt, spoilt_result, kind):
    assert score_cells(spoilt, spoilt_result, kind).f1 >= 0.95


def test_stuck_sensors_are_found_on_unseen_truth(spoilt, spoilt_result):
    # As faults, not as cells: the first days of standing still may be a dry, quiet soil.
    assert score_episodes(spoilt, spoilt_result, "stuck").f1 >= 0.95


def test_spikes_are_hardly_seen_where_there_are_none_on_unseen_truth(spoilt, spoilt_result):
    # A test that looks for spikes of four times the noise meets noise of that size too: of a
    # hundred thousand normal numbers six lie beyond four standard deviations.
    counts = score_cells(spoilt, spoilt_result, "spike")
    assert counts.found > 0
    assert counts.false <= 1e-4 * free_of_faults(spoilt).sum()


def test_intervals_hold_the_truth_as_often_as_they_say_on_unseen_truth():
    # 120 tubes, each with its own draw of the law: the share is sure to about 0.02 a depth and
    # to less than 0.01 over all, as the depths have further draws of their own.
    field = make_field(
        LOOKED_AT_SEEDS[0], ("loam",), 21_600, days=150, faults=(), sound_tubes=120
    )
    share = covered(field, run_steps(field))
    assert 0.93 <= float(share.mean()) <= 0.97
    assert (abs(share.mean("tube") - 0.95) < 0.05).all()
