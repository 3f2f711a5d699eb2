# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The time at which a figure's level changed is found."""

import numpy as np
import pytest
from robot_mapping_qa.pose.change import Cusum

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3: 20 group means of a process
# with target 325, k = 0.3175, h = 4.1959, and the sums of its table. The numbers are from memory.
HANDBOOK_MEANS = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350)
HANDBOOK_HIGH = (
    0.00, 0.00, 0.00, 0.00, 0.03, 0.00, 0.00, 0.00, 0.00, 0.00,
    0.00, 0.00, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
HANDBOOK_LOW = (
    0.00, 0.01, 0.00, 0.33, 0.00, 0.00, 0.56, 0.72, 0.17, 0.25,
    0.31, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00)


def test_handbook_example_group_by_group():
    cusum = Cusum(target=325.0, slack=0.3175, threshold=4.1959)
    found, high, low = [], [], []
    for group, mean in enumerate(HANDBOOK_MEANS, start=1):
        found.append(cusum.add(mean, group))
        high.append(cusum.high)
        low.append(cusum.low)
    # The table has two decimals and sums rounded figures.
    assert high == pytest.approx(HANDBOOK_HIGH, abs=0.015)
    assert low == pytest.approx(HANDBOOK_LOW, abs=0.015)
    first = next(change for change in found if change is not None)
    # The handbook's alarm is at group 14; the shift itself began with group 13.
    assert (first.onset_ns, first.detected_ns) == (13, 14)
    assert all(change is not None for change in found[13:])


@pytest.mark.parametrize('shift', [2.0, -2.0])
def test_onset_is_within_a_few_samples_of_the_truth(shift):
    random = np.random.default_rng(5)
    errors = []
    for _ in range(200):
        cusum = Cusum(target=1.0, slack=1.0, threshold=8.0)
        samples = 1.0 + random.standard_normal(200)
        samples[100:] += shift
        changes = (cusum.add(value, time) for time, value in enumerate(samples))
        first = next(change for change in changes if change is not None)
        errors.append(first.onset_ns - 100)
    assert np.median(np.abs(errors)) <= 2
    assert np.mean(np.abs(errors) <= 5) > 0.9


def test_level_after_the_change_is_estimated():
    cusum = Cusum(target=0.0, slack=0.5, threshold=20.0)
    changes = [cusum.add(3.0, time) for time in range(30)]
    found = [change for change in changes if change is not None]
    assert found[0].level == pytest.approx(3.0)


def test_quiet_figure_raises_no_alarm_and_restart_forgets():
    cusum = Cusum(target=0.0, slack=0.5, threshold=5.0)
    assert all(cusum.add(0.4, time) is None for time in range(10_000))
    cusum.add(5.4, 10_000)
    cusum.restart()
    assert cusum.high == 0.0
    assert cusum.add(0.6, 10_001) is None


def test_impossible_settings_are_refused():
    with pytest.raises(ValueError, match='threshold'):
        Cusum(target=0.0, slack=0.5, threshold=0.0)
