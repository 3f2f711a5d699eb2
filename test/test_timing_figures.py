# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Loss, reordering, jitter and quantiles of a stream, as the standards define them."""

import numpy as np
import pytest

from robot_mapping_qa.timing.clock_series import ClockSeries, MOST_BLOCKS
from robot_mapping_qa.timing.delay_variation import DelayVariation
from robot_mapping_qa.timing.quantiles import DelayHistogram, RELATIVE_ERROR
from robot_mapping_qa.timing.sequence import REMEMBERED, StampSequence

MS = 1_000_000


def count(numbers, period_ns=20.0 * MS):
    sequence = StampSequence()
    for number in numbers:
        sequence.add(number * 20 * MS, period_ns)
    return sequence


# RFC 4737 section 7 gives these three orders of arrival (tables 1 to 3; from memory).
@pytest.mark.parametrize(('arrivals', 'reordered', 'extent'), [
    ((1, 2, 3, 5, 6, 7, 8, 4, 9, 10), 1, 4),
    ((1, 2, 3, 4, 7, 5, 6, 8, 9, 10), 2, 2),
    ((1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11), 3, 6),
])
def test_reordering_is_counted_as_in_the_examples_of_rfc_4737(arrivals, reordered, extent):
    sequence = count(arrivals)
    assert sequence.reordered == reordered
    assert sequence.largest_extent == extent
    assert sequence.lost == 0


def test_late_messages_are_not_lost_but_missing_ones_are():
    sequence = count((1, 2, 5, 3, 6, 9))
    assert sequence.lost == 3  # 4, 7 and 8; 3 came late
    assert sequence.gaps == 2
    assert sequence.reordered == 1
    assert sequence.backwards == 1


@pytest.mark.parametrize(('arrivals', 'lost', 'gaps'), [
    ((0, 1, 3, 2, 4), 0, 0),
    ((0, 1, 5, 3, 6), 2, 2),       # 2 and 4: what came between them parts the run
    ((0, 1, 5, 2, 6), 2, 1),
    ((0, 1, 5, 4, 2, 3, 6), 0, 0),
    ((0, 1, 3, 4, 5, 4.5, 6), 1, 1),  # 2 never came, 4.5 was never missed
    ((0, 1, 3, 2, 2.1, 4, 6), 1, 1),  # only one can be the 2
])
def test_only_a_late_message_that_was_missing_is_no_loss(arrivals, lost, gaps):
    sequence = StampSequence()
    for number in arrivals:
        sequence.add(round(number * 20 * MS), 20.0 * MS)
    assert (sequence.lost, sequence.gaps) == (lost, gaps)


def test_a_copy_that_comes_after_very_long_takes_off_no_loss():
    sequence = count((*range(1000), 1001, 1))
    assert (sequence.lost, sequence.gaps, sequence.reordered) == (1, 1, 1)


def test_what_was_lost_is_remembered_for_a_while_only():
    sequence = count((0, 2, *range(3, 3 + REMEMBERED), 1))
    assert (sequence.lost, sequence.gaps) == (1, 1)
    assert not sequence._open


def test_second_copies_are_duplicates_and_neither_lost_nor_reordered():
    sequence = count((1, 2, 2, 3, 1, 4))
    assert sequence.duplicated == 2
    assert sequence.reordered == 0
    assert sequence.lost == 0


def test_nothing_is_lost_while_the_period_is_not_known():
    assert count((1, 5, 9), period_ns=None).lost == 0


def test_jitter_follows_the_integer_code_of_rfc_3550():
    """RFC 3550 appendix A.8: the scaled integer estimator, in microseconds."""
    rng = np.random.default_rng(1)
    delays_us = 20_000 + rng.exponential(3000.0, 500).astype(int)
    scaled = 0
    variation = DelayVariation()
    variation.add(int(delays_us[0]) * 1000)
    for before, after in zip(delays_us, delays_us[1:]):
        scaled += abs(int(after) - int(before)) - ((scaled + 8) >> 4)
        variation.add(int(after) * 1000)
    assert variation.jitter_s == pytest.approx((scaled >> 4) * 1e-6, abs=2e-6)


def test_delay_variation_is_blind_to_a_constant_clock_offset():
    first, second = DelayVariation(), DelayVariation()
    for delay_ns in (5 * MS, 9 * MS, 4 * MS, 6 * MS):
        first.add(delay_ns)
        second.add(delay_ns - 3_600_000 * MS)
    # RFC 3393: ipdv is the difference of the delays of consecutive packets, here 4, -5, 2 ms.
    assert first.quantiles(0.5, 1.0) == pytest.approx((4e-3, 5e-3), rel=RELATIVE_ERROR)
    assert second.jitter_s == first.jitter_s


@pytest.mark.parametrize('values', [
    np.random.default_rng(2).exponential(0.02, 5000),
    np.random.default_rng(3).normal(0.0, 0.05, 5000),
    -np.random.default_rng(4).gamma(2.0, 3.0, 5000),
], ids=['positive', 'both signs', 'negative'])
def test_quantiles_are_those_of_all_values_within_one_per_cent(values):
    histogram = DelayHistogram()
    for value in values:
        histogram.add(float(value))
    shares = (0.05, 0.5, 0.95, 0.99)
    expected = np.quantile(values, shares, method='inverted_cdf')
    assert histogram.quantiles(*shares) == pytest.approx(expected, rel=RELATIVE_ERROR, abs=1e-6)


def test_an_empty_histogram_knows_nothing():
    assert DelayHistogram().quantiles(0.5, 0.9) == (None, None)


@pytest.mark.parametrize('pause_s', [0, 60 * 86400, 1_700_000_000])
def test_series_of_a_run_with_a_long_pause_spans_few_blocks(pause_s):
    """A grid of all its blocks is laid for the report."""
    series = ClockSeries()
    for second in range(100):
        later_s = pause_s if second >= 50 else 0
        series.add((second + later_s) * 1000 * MS, (7 if second >= 50 else 5) * MS)
    times, offsets = series.arrays()
    assert (times[-1] - times[0]) // series.block_ns < MOST_BLOCKS
    assert offsets[[0, -1]] == pytest.approx([-0.005, -0.007])
    assert abs(times[-1] - (99 + pause_s) * 1000 * MS) <= series.block_ns


@pytest.mark.parametrize('value', [0.0, 1e-9, -1e-9, 1e300, -1e300, 1e-6, -1e-6, 1e6])
def test_extreme_values_are_counted(value):
    histogram = DelayHistogram()
    histogram.add(value)
    assert histogram.count == 1
    assert histogram.quantiles(0.5)[0] == pytest.approx(
        np.clip(value, -1e6, 1e6), rel=0.02, abs=1e-6)
