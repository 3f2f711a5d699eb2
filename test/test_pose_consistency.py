# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A reported covariance that is too small is told apart from a right one."""

from itertools import accumulate

import numpy as np
import pytest
from robot_mapping_qa.pose import so3
from robot_mapping_qa.pose.consistency import Inflation, InnovationWindow, least, TurnConsistency

S = 1_000_000_000
DRIFT_RAD = 0.004  # per square root of second
NOISE_RAD = 0.0005
GYRO_RADPS = 0.001


def windows_of(error_factor, seed, duration_s=60.0, outliers=0.0, gyro_dead_share=0.0):
    """
    Let a unit turn for a while; return its inflation at the end of every 10 s.

    Its orientation drifts as a random walk ``error_factor`` times as large as it reports.
    """
    random = np.random.default_rng(seed)
    rate_hz = 100.0
    steps = round(duration_s * rate_hz)
    times = np.arange(steps) / rate_hz
    rates = np.stack([0.2 * np.sin(times), 0.1 * np.cos(1.3 * times), 0.6 * np.sin(0.7 * times)],
                     axis=-1)
    turns = so3.exp((rates[1:] + rates[:-1]) / 2.0 / rate_hz)
    drift = np.cumsum(random.standard_normal((steps, 3)), axis=0) * (
        error_factor * DRIFT_RAD / rate_hz ** 0.5)
    noise = random.standard_normal((steps, 3)) * NOISE_RAD
    if outliers:
        bad = random.random(steps) < outliers
        noise[bad] += random.standard_normal((bad.sum(), 3)) * 0.3
    measured = rates + random.standard_normal((steps, 3)) * 0.01 + GYRO_RADPS / 2.0
    dead = (times % 10.0) < 10.0 * gyro_dead_share
    measured[dead] = 0.0
    truth = np.array(list(accumulate(turns, np.matmul, initial=np.eye(3))))
    reported = so3.exp(drift + noise) @ truth
    variances = DRIFT_RAD ** 2 * times + NOISE_RAD ** 2
    consistency, found = TurnConsistency(GYRO_RADPS, NOISE_RAD), []
    for i in range(steps):
        stamp_ns = round(times[i] * S)
        consistency.add_rate(stamp_ns, measured[i])
        consistency.add_pose(stamp_ns, reported[i], variances[i] * np.eye(3))
        if (i + 1) % round(10.0 * rate_hz) == 0:
            found.append(consistency.inflation())
    return found


def test_right_covariance_is_not_condemned_and_three_times_too_small_is_named_in_10_s():
    right = [w for seed in range(5) for w in windows_of(1.0, seed)]
    assert np.median([w.factor for w in right]) == pytest.approx(1.0, abs=0.1)
    assert all(w.low < 1.5 for w in right)
    for seed in range(5):
        first = windows_of(3.0, 100 + seed, duration_s=10.0)[0]
        assert first.low > 1.5
        assert first.low < 3.0 < first.high


def test_outliers_and_a_short_failure_of_the_second_source_do_not_condemn():
    assert all(w.low < 1.5 for w in windows_of(1.0, 1, outliers=0.03))
    assert all(w.low < 1.5 for w in windows_of(1.0, 2, gyro_dead_share=0.2))


def test_bounds_hold_with_the_confidence_that_they_claim():
    random = np.random.default_rng(9)
    held = []
    for _ in range(1000):
        window = InnovationWindow(3)
        for time_ns in range(20):
            # Half of the variance is the second source's; the unit's is 4 times the reported.
            unit = 2.0 * random.standard_normal(3)
            window.add(time_ns, unit + random.standard_normal(3), np.eye(3), np.eye(3))
        found = window.inflation(0.90)
        held.append(found.low <= 2.0 <= found.high)
    assert 0.87 <= np.mean(held) <= 0.93


def test_second_source_that_is_too_coarse_leaves_the_bounds_wide():
    random = np.random.default_rng(10)
    window = InnovationWindow(3)
    for time_ns in range(40):
        window.add(time_ns, random.standard_normal(3), 1e-4 * np.eye(3), np.eye(3))
    found = window.inflation()
    assert found.low == 0.0
    assert found.high > 5.0


def test_nothing_is_said_before_enough_is_known():
    window = InnovationWindow(3)
    for time_ns in range(7):
        window.add(time_ns, np.ones(3), np.eye(3), np.eye(3))
    assert window.inflation() is None
    assert TurnConsistency(GYRO_RADPS, NOISE_RAD).inflation() is None


def test_old_innovations_are_forgotten():
    window = InnovationWindow(3, window_s=10.0)
    for time_s in range(9):
        window.add(time_s * S, 10.0 * np.ones(3), np.eye(3), np.zeros((3, 3)))
    for time_s in range(30, 41):
        window.add(time_s * S, np.ones(3), np.eye(3), np.zeros((3, 3)))
    assert window.inflation().samples == 11
    assert window.inflation().factor < 2.0


def test_two_sources_against_one_excuse_the_unit():
    fine, slipping = Inflation(1.1, 0.8, 1.4, 20), Inflation(6.0, 4.0, 9.0, 20)
    assert least([slipping, fine]) is fine
    assert least([slipping, None]) is slipping
    assert least([None, None]) is None
