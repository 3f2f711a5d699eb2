# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A reported covariance that is too small is told apart from a right one."""

from dataclasses import replace
from itertools import accumulate

import numpy as np
import pytest
from robot_mapping_qa.pose.consistency import (
    agreed, Inflation, Innovation, InnovationWindow)
from robot_mapping_qa.pose.motion_trust import MotionTrust
from robot_mapping_qa.pose.second_source import SecondSource
from robot_mapping_qa.pose.trust_limits import TrustLimits
from rotations import quaternion_of, rotation_by

S = 1_000_000_000
RATE_HZ = 100.0
LIMITS = TrustLimits()
# Of the unit, per square root of a second and of each pose.
DRIFT_RAD, NOISE_RAD = 0.004, 0.0005
DRIFT_M, NOISE_M = 0.01, 0.002


class Walk:
    """
    A unit that walks along a curve, and what an IMU and wheel odometry say of it.

    The error of its pose walks at random ``error_factor`` times as large as it reports. It turns
    to and fro ``hurry`` times as often as in a calm walk.
    """

    def __init__(self, seed, duration_s, error_factor=1.0, hurry=1.0):
        random = np.random.default_rng(seed)
        self.steps = round(duration_s * RATE_HZ)
        self.times = np.arange(self.steps) / RATE_HZ
        self.rates = np.stack([
            0.2 * np.sin(hurry * self.times), 0.1 * np.cos(hurry * 1.3 * self.times),
            0.6 * np.sin(hurry * 0.7 * self.times)], axis=-1)
        turns = rotation_by((self.rates[1:] + self.rates[:-1]) / 2.0 / RATE_HZ)
        truth = np.array(list(accumulate(turns, np.matmul, initial=np.eye(3))))
        self.speeds = np.stack([
            0.7 + 0.3 * np.sin(0.5 * self.times), np.zeros(self.steps), np.zeros(self.steps)],
            axis=-1)
        velocity = np.einsum('nij,nj->ni', truth, self.speeds)
        way = np.cumsum((velocity[1:] + velocity[:-1]) / 2.0 / RATE_HZ, axis=0)
        walk = np.cumsum(random.standard_normal((self.steps, 6)), axis=0) / RATE_HZ ** 0.5
        noise = random.standard_normal((self.steps, 6))
        self.rotations = rotation_by(error_factor * (
            DRIFT_RAD * walk[:, 3:] + NOISE_RAD * noise[:, 3:])) @ truth
        self.positions = np.vstack([np.zeros(3), way]) + error_factor * (
            DRIFT_M * walk[:, :3] + NOISE_M * noise[:, :3])
        self.variances = np.concatenate([
            np.outer(DRIFT_M ** 2 * self.times + NOISE_M ** 2, np.ones(3)),
            np.outer(DRIFT_RAD ** 2 * self.times + NOISE_RAD ** 2, np.ones(3))], axis=-1)
        self.gyro = self.rates * 1.002 + random.standard_normal((self.steps, 3)) * 0.002 + 0.003
        self.wheel_rates = self.rates * 0.99 + random.standard_normal((self.steps, 3)) * 0.003
        self.wheels = self.speeds * 1.01 + random.standard_normal((self.steps, 3)) * 0.005

    def judged(self, sources=('imu', 'wheels'), late_ns=0, is_held=False):
        """Let the sources judge the walk; return the state after every second."""
        trust = MotionTrust(LIMITS, {
            name: SecondSource(LIMITS, planar=name == 'wheels') for name in sources})
        found = []
        quaternions = [quaternion_of(rotation) for rotation in self.rotations]
        gyro, wheels, positions = (values.tolist() for values in (
            self.gyro, np.hstack([self.wheel_rates, self.wheels]), self.positions))
        for i in range(self.steps):
            stamp_ns = round(self.times[i] * S)
            if 'imu' in sources:
                trust.add_motion('imu', stamp_ns + late_ns, stamp_ns + S // 100, gyro[i])
            if 'wheels' in sources:
                trust.add_motion('wheels', stamp_ns, stamp_ns + S // 100, wheels[i])
            if trust.add_pose(
                    stamp_ns, stamp_ns + S // 50, quaternions[i], positions[i],
                    np.diag(self.variances[i]), is_held):
                found.append((stamp_ns / S, trust.is_optimistic, trust.inflation))
        return found, trust


@pytest.mark.parametrize('sources', [('imu',), ('wheels',), ('imu', 'wheels')])
def test_right_covariance_is_not_condemned(sources):
    windows = [state for seed in range(3) for state in Walk(seed, 40.0).judged(sources)[0]]
    assert len(windows) > 90
    # Over 60 walks of 300 s: 0.0 % of the windows with both sources, 0.0 % with one.
    assert not any(is_optimistic for _, is_optimistic, _ in windows)
    factors = [inflation.factor for time_s, _, inflation in windows if inflation is not None]
    # Wheels alone are too coarse to say how well the unit does.
    assert (not factors) == (sources == ('wheels',))
    if factors:
        assert np.median(factors) == pytest.approx(1.0, abs=0.2)


def test_right_covariance_is_confirmed():
    assert Walk(1, 20.0).judged()[1].is_confirmed


@pytest.mark.parametrize('sources', [('imu',), ('imu', 'wheels')])
@pytest.mark.parametrize('seed', range(3))
def test_error_three_times_as_large_as_reported_is_named_in_10_s(seed, sources):
    windows, trust = Walk(100 + seed, 12.0, error_factor=3.0).judged(sources)
    first_s = next(time_s for time_s, is_optimistic, _ in windows if is_optimistic)
    assert first_s <= 10.0
    assert not trust.is_confirmed
    assert trust.inflation.low < 3.0 < trust.inflation.high


def test_outliers_do_not_condemn():
    walk = Walk(3, 40.0)
    random = np.random.default_rng(30)
    bad = random.random(walk.steps) < 0.03
    walk.rotations[bad] = rotation_by(0.3 * random.standard_normal((bad.sum(), 3))) @ (
        walk.rotations[bad])
    walk.positions[bad] += 0.5 * random.standard_normal((bad.sum(), 3))
    assert not any(is_optimistic for _, is_optimistic, _ in walk.judged()[0])


def test_second_source_that_fails_for_a_while_does_not_condemn():
    walk = Walk(4, 40.0)
    walk.gyro[(walk.times % 10.0) < 2.0] = 0.0
    assert not any(is_optimistic for _, is_optimistic, _ in walk.judged(('imu',))[0])


def test_slipping_wheels_do_not_condemn():
    walk = Walk(5, 60.0)
    random = np.random.default_rng(50)
    # Slip that comes and goes: bursts of a second or so in which the wheels turn up to twice as
    # fast as the ground goes by, half of the time.
    slipping = np.repeat(random.random(60) < 0.4, round(RATE_HZ))
    walk.wheels[slipping, 0] *= 1.0 + np.repeat(random.random(60), round(RATE_HZ))[slipping]
    walk.wheel_rates[slipping, 2] += 0.2
    assert not any(is_optimistic for _, is_optimistic, _ in walk.judged()[0])


@pytest.mark.parametrize('ratio', [-1.0, -0.5, 0.4, 1.0])
def test_wheels_that_slip_for_long_do_not_condemn(ratio):
    walk = Walk(5, 40.0)
    # The base moves sideways as well, and is mounted a little askew.
    sideways = np.zeros((walk.steps, 3))
    sideways[:, 1] = 0.2 * np.sin(walk.times)
    walk.wheels += sideways
    walk.positions += np.cumsum(
        np.einsum('nij,nj->ni', walk.rotations, sideways), axis=0) / RATE_HZ
    walk.wheels[walk.times % 16.0 > 2.0] *= 1.0 + ratio
    walk.wheels = walk.wheels @ rotation_by(np.array([0.0, 0.0, 0.03]))
    assert not any(state for _, state, _ in walk.judged(('wheels',))[0])


def test_wheels_that_slide_sideways_do_not_condemn_where_the_surroundings_hold_the_unit():
    walk = Walk(5, 40.0)
    walk.wheels[:, 1] += 0.4 * (np.sin(walk.times) > -0.9) * np.sin(3.0 * walk.times)
    named = {is_held: any(state for _, state, _ in walk.judged(('wheels',), is_held=is_held)[0])
             for is_held in (False, True)}
    assert named == {False: True, True: False}


@pytest.mark.parametrize('late_s', [-0.05, 0.02, 0.05])
def test_stamps_that_are_late_do_not_condemn(late_s):
    windows, _ = Walk(6, 30.0).judged(('imu',), late_ns=round(late_s * S))
    assert windows
    assert not any(is_optimistic for _, is_optimistic, _ in windows)


def test_clock_that_steps_does_not_condemn():
    walk = Walk(7, 30.0)
    trust = MotionTrust(LIMITS, {'imu': SecondSource(LIMITS)})
    for i in range(walk.steps):
        stamp_ns = round(walk.times[i] * S)
        step_ns = 80_000_000 if 10.0 <= walk.times[i] < 15.0 else 0
        trust.add_motion('imu', stamp_ns + step_ns, stamp_ns, walk.gyro[i].tolist())
        trust.add_pose(stamp_ns, stamp_ns, quaternion_of(walk.rotations[i]),
                       walk.positions[i].tolist(), np.diag(walk.variances[i]))
        assert not trust.is_optimistic
    assert trust.is_confirmed


@pytest.mark.parametrize('seed', range(2))
@pytest.mark.parametrize('size_s', [-0.016, 0.016])
def test_clock_that_steps_by_little_does_not_condemn_an_exact_unit(seed, size_s):
    """Its stamps are off the motion for some seconds, and within the allowed lateness."""
    walk = Walk(20 + seed, 30.0, error_factor=0.1, hurry=3.0)
    walk.variances *= 0.1 ** 2
    random = np.random.default_rng(seed)
    trust = MotionTrust(LIMITS, {'imu': SecondSource(LIMITS)})
    for i, delay_s in enumerate(0.005 + random.exponential(0.0005, walk.steps)):
        true_ns = round(walk.times[i] * S)
        stamp_ns = true_ns + (round(size_s * S) if 12.0 <= walk.times[i] < 17.0 else 0)
        receive_ns = true_ns + round(delay_s * S)
        trust.add_motion('imu', true_ns, receive_ns, walk.gyro[i].tolist())
        trust.add_pose(stamp_ns, receive_ns, quaternion_of(walk.rotations[i]),
                       walk.positions[i].tolist(), np.diag(walk.variances[i]))
        assert not trust.is_optimistic


@pytest.mark.parametrize('scatter_s', [0.002, 0.02])
def test_delays_that_scatter_do_not_hide_an_optimistic_covariance(scatter_s):
    walk = Walk(7, 40.0, error_factor=3.0)
    random = np.random.default_rng(1)
    trust = MotionTrust(LIMITS, {'imu': SecondSource(LIMITS)})
    for i, delay_s in enumerate(random.exponential(scatter_s, walk.steps)):
        true_ns = round(walk.times[i] * S)
        trust.add_motion('imu', true_ns, true_ns, walk.gyro[i].tolist())
        trust.add_pose(true_ns, true_ns + round(delay_s * S),
                       quaternion_of(walk.rotations[i]),
                       walk.positions[i].tolist(), np.diag(walk.variances[i]))
    assert trust.is_optimistic


def test_clocks_on_different_time_bases_are_not_compared():
    windows, trust = Walk(8, 15.0).judged(('imu',), late_ns=37 * S)
    assert windows == []
    assert trust.inflation is None


def test_bounded_error_is_not_taken_for_one_that_adds_up():
    # A unit that localizes in a known map: its error wanders within what it reports, always.
    random = np.random.default_rng(9)
    walk = Walk(9, 60.0, error_factor=0.0)
    wander = np.zeros((walk.steps, 3))
    for i in range(1, walk.steps):
        wander[i] = wander[i - 1] * (1.0 - 0.5 / RATE_HZ) + (
            0.01 * RATE_HZ ** -0.5 * random.standard_normal(3))
    walk.rotations = rotation_by(wander) @ walk.rotations
    walk.variances[:, :3] = 0.01 ** 2
    walk.variances[:, 3:] = 0.01 ** 2 * (1.0 + 0.1 * np.sin(walk.times))[:, None]
    assert not any(is_optimistic for _, is_optimistic, _ in walk.judged(('imu',))[0])


def innovation(number, difference, unit=1.0, other=1.0, apart=2):
    """Return one over a quarter of a second that does not touch its neighbours."""
    begin_ns = apart * number * S // 4
    return Innovation(begin_ns, begin_ns + S // 4, difference, np.eye(3), unit * np.eye(3),
                      unit * np.eye(3), other)


def test_bounds_hold_with_the_confidence_that_they_claim():
    random = np.random.default_rng(9)
    held = []
    for _ in range(300):
        window = InnovationWindow(0.25, 10.0)
        for number in range(20):
            # A fifth of the variance is the second source's; the unit's is 4 times the reported.
            unit = 2.0 * random.standard_normal(3)
            window.add(innovation(number, unit + 0.5 * random.standard_normal(3), other=0.25))
        found = window.inflation(0.90)
        held.append(found.low <= 2.0 <= found.high)
    # Wider than 90 %: the noise of a single pose is not known either.
    assert np.mean(held) >= 0.88


def test_second_source_that_is_too_coarse_says_nothing():
    random = np.random.default_rng(10)
    window = InnovationWindow(0.25, 10.0)
    for number in range(20):
        window.add(innovation(number, random.standard_normal(3), unit=1e-4))
    assert not window.inflation().telling
    assert window.inflation().low < 1.0


def test_nothing_is_said_before_enough_is_known():
    window = InnovationWindow(0.25, 2.0)
    for number in range(7):
        window.add(innovation(number, np.ones(3), apart=1))
    assert window.inflation() is None
    assert SecondSource(LIMITS).turn_inflation() is None


def test_sources_that_agree_exactly_as_in_a_simulation_are_judged():
    window = InnovationWindow(0.25, 10.0, calibration_sigmas=(0.01, 0.01))
    for number in range(40):
        # What the errors of calibration are proportional to cannot be told apart either.
        motion = (0.1 * np.sin(number),) * 2
        window.add(replace(innovation(number, np.zeros(3)), motion=motion))
    assert window.inflation().low <= 1.0


def test_old_innovations_are_forgotten():
    window = InnovationWindow(0.25, 10.0)
    for number in range(100):
        window.add(innovation(number, np.ones(3) * (20.0 if number < 70 else 1.0), other=1e-6))
    assert window.inflation().samples <= 21
    assert window.inflation().factor < 2.0


def test_two_sources_against_one_excuse_the_unit():
    fine, slipping = Inflation(1.1, 0.8, 1.4, 20, True), Inflation(6.0, 4.0, 9.0, 20, True)
    assert agreed([slipping, fine]) is fine
    assert agreed([slipping, None]) is slipping
    assert agreed([None, None]) is None


def test_source_that_is_too_coarse_excuses_nobody():
    optimistic, coarse = Inflation(3.0, 2.0, 4.2, 40, True), Inflation(0.0, 0.0, 9.0, 40, False)
    assert agreed([coarse, optimistic]) is optimistic
