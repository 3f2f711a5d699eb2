# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""TDEV and MTIE against published reference results, and on series with gaps."""

from __future__ import annotations

import gzip

import numpy as np
import open_data
import pytest
from robot_mapping_qa.timing.stability import mtie, regular_series, tdev

SECOND = 1_000_000_000


def each_second(phase_s):
    """Return a series with one sample a second."""
    return regular_series(np.arange(len(phase_s)) * SECOND, phase_s)


def column_table(path):
    """Return the rows of numbers of a reference file; lines with # are its comments."""
    return np.loadtxt(path, comments='#', ndmin=2)


@pytest.fixture(scope='module')
def caesium_s():
    """Phase of a caesium clock against a hydrogen maser, one sample a second for 6.4 days."""
    with gzip.open(open_data.allantools_data() / 'Cs5071A' / '5071A_phase.txt.gz', 'rt') as text:
        return np.loadtxt(text, comments='#')


@pytest.fixture(scope='module')
def phase_dat_s():
    return np.loadtxt(open_data.allantools_data() / 'phasedat' / 'PHASE.DAT', comments='#')


# --- published reference results ----------------------------------------------------------------

def test_tdev_of_the_nist_10_point_set():
    # NIST SP 1065 page 107: phase data and TDEV at tau 1 and 2.
    phase = [0.0, 103.11111, 123.22222, 157.33333, 166.44444,
             48.55555, -96.33333, -2.22222, 111.88889, 0.0]
    curve = tdev(each_second(phase), taus_s=[1, 2])
    np.testing.assert_allclose(curve.value_s, [52.67135, 86.35831], rtol=1e-6)


def test_tdev_of_the_nist_1000_point_set():
    # NIST SP 1065 page 108: frequency data of a congruential generator, its first numbers, and
    # TDEV at tau 1, 10 and 100.
    numbers = [1234567890]
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % 2147483647)
    assert numbers[1:4] == [395529916, 1209410747, 633705974]
    phase = np.concatenate(([0], np.cumsum(np.array(numbers) / 2147483647)))
    curve = tdev(each_second(phase), taus_s=[1, 10, 100])
    np.testing.assert_allclose(curve.value_s, [1.687202e-01, 3.563623e-01, 1.253382], rtol=1e-6)


@pytest.mark.parametrize('measure, reference', [
    (tdev, 'tdev_decade.txt'), (mtie, 'mtie_all.txt')])
def test_caesium_clock(caesium_s, measure, reference):
    # Reference results computed by Stable32, carried by allantools: five digits. Columns are
    # averaging factor, tau, number of terms, and for TDEV noise type, low limit, value, high.
    table = column_table(open_data.allantools_data() / 'Cs5071A' / reference)
    curve = measure(each_second(caesium_s), taus_s=table[:, 0])
    np.testing.assert_array_equal(curve.tau_s, table[:, 0])
    np.testing.assert_array_equal(curve.terms, table[:, 2])
    np.testing.assert_allclose(
        curve.value_s, table[:, 5 if measure is tdev else 3], rtol=5e-5)


@pytest.mark.parametrize('measure, reference', [
    (tdev, 'phase_dat_tdev.txt'), (mtie, 'phase_dat_mtie.txt')])
def test_phase_dat(phase_dat_s, measure, reference):
    # As above, for the data set PHASE.DAT.
    table = column_table(open_data.allantools_data() / 'phasedat' / reference)
    curve = measure(each_second(phase_dat_s), taus_s=table[:, 0])
    np.testing.assert_array_equal(curve.terms, table[:, 2])
    np.testing.assert_allclose(
        curve.value_s, table[:, 5 if measure is tdev else 3], rtol=5e-5)


# --- what a researcher reads off ----------------------------------------------------------------

def test_tdev_of_white_noise_is_its_sigma_over_the_root_of_the_number_averaged():
    # Follows from the definition: averages of n samples have variance sigma^2 / n.
    noise = np.random.default_rng(1).normal(0, 1e-3, 40_000)
    curve = tdev(each_second(noise), taus_s=[1, 4, 16, 64])
    np.testing.assert_allclose(curve.value_s, 1e-3 / np.sqrt([1, 4, 16, 64]), rtol=0.1)


def test_a_constant_offset_and_skew_do_not_count_in_tdev():
    phase = 0.1 + 20e-6 * np.arange(3000.0)
    assert tdev(each_second(phase)).value_s.max() < 1e-15


def test_a_constant_skew_counts_in_mtie():
    curve = mtie(each_second(20e-6 * np.arange(3000.0)), taus_s=[1, 10, 1000])
    np.testing.assert_allclose(curve.value_s, [20e-6, 200e-6, 20e-3], rtol=1e-9)


def test_mtie_by_its_definition():
    generator = np.random.default_rng(2)
    phase = np.cumsum(generator.normal(size=400))
    taus = [1, 2, 3, 5, 17, 100, 398, 399]
    curve = mtie(each_second(phase), taus_s=taus)
    expected = [
        max(np.ptp(phase[start:start + tau + 1]) for start in range(400 - tau)) for tau in taus]
    np.testing.assert_array_equal(curve.value_s, expected)


# --- uneven sampling and gaps -------------------------------------------------------------------

def test_a_short_excursion_within_a_cell_shows_in_mtie():
    times = np.arange(0, 100 * SECOND, SECOND // 100)
    offsets = np.zeros(times.size)
    offsets[5000] = 0.007
    assert mtie(regular_series(times, offsets, SECOND), [10]).value_s == pytest.approx([0.007])


@pytest.mark.parametrize('tau', [1, 8, 64])
def test_jitter_losses_and_a_gap_change_tdev_by_less_than_its_uncertainty(tau):
    generator = np.random.default_rng(3)
    count = 20_000
    phase = generator.normal(0, 1e-3, count) + np.cumsum(generator.normal(0, 2e-5, count))
    phase += 50e-6 * np.arange(count)
    whole = tdev(each_second(phase), [tau]).value_s[0]
    kept = generator.random(count) > 0.05
    kept[8000:9500] = False
    times = np.arange(count) * SECOND + generator.integers(-SECOND // 5, SECOND // 5, count)
    damaged = tdev(regular_series(times[kept], phase[kept], SECOND), [tau])
    assert damaged.value_s[0] == pytest.approx(whole, rel=0.1)
    assert damaged.terms[0] < count - 3 * tau + 1


def test_skew_across_a_gap_is_not_mistaken_for_wander():
    kept = np.ones(2000, dtype=bool)
    kept[700:760] = False
    times = np.arange(2000) * SECOND
    series = regular_series(times[kept], 100e-6 * times[kept] * 1e-9, SECOND)
    assert tdev(series).value_s.max() < 1e-12


def test_a_gap_makes_no_change_of_its_own_in_mtie():
    times = np.concatenate((np.arange(100), np.arange(500, 600))) * SECOND
    offsets = np.concatenate((np.zeros(100), np.full(100, 0.003)))
    curve = mtie(regular_series(times, offsets, SECOND), taus_s=[50, 450])
    np.testing.assert_allclose(curve.value_s, [0.0, 0.003])


def test_order_of_the_samples_does_not_matter():
    generator = np.random.default_rng(4)
    phase = generator.normal(size=500)
    order = generator.permutation(500)
    shuffled = regular_series(np.arange(500)[order] * SECOND, phase[order])
    np.testing.assert_array_equal(shuffled.mean_s, phase)
    assert shuffled.interval_ns == SECOND


def test_a_series_too_short_for_any_tau_gives_an_empty_curve():
    assert tdev(each_second([0.0, 1.0])).tau_s.size == 0
    assert mtie(each_second([0.0, 1.0]), taus_s=[5.0]).value_s.size == 0


@pytest.mark.parametrize('times, offsets, word', [
    ([0, 1], [0.0], 'equally long'),
    ([0, 1], [0.0, np.nan], 'not finite'),
    ([5, 5], [0.0, 1.0], 'two different times'),
    ([0, SECOND, 2 * SECOND, 10**18], [0.0] * 4, 'wrong stamp'),
])
def test_impossible_input_is_refused(times, offsets, word):
    with pytest.raises(ValueError, match=word):
        regular_series(times, offsets)


def test_an_impossible_interval_is_refused():
    with pytest.raises(ValueError, match='interval_ns is 0'):
        regular_series([0, 1], [0.0, 0.0], 0)
