# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How well a second source knows the motion, and from when the reported covariance is believed."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class TrustLimits:
    """
    What the reported covariance is held against.

    The errors of a second source that follow the motion (bias, scale, mount, lateness) are
    fitted in each window; their settings here say how far they can reach.
    """

    interval_s: float = setting(
        0.25, 0.05, 5.0,
        'Time over which the motion of the unit and of the second source are compared. Short '
        'enough for forty comparisons in a window, long enough for some drift.')
    window_s: float = setting(
        10.0, 2.0, 600.0,
        'Time over which the comparisons are judged together.')
    confidence: float = setting(
        0.99, 0.5, 0.9999,
        'Confidence of the bounds of the inflation.')
    optimistic_factor: float = setting(
        1.3, 1.0, 10.0,
        'The reported covariance counts as optimistic where the lower bound of its inflation '
        'exceeds this. In simulated walks it stays below 1.0 for a right covariance, and reaches '
        '1.4 within 10 s for one that is three times too small.')
    gyro_noise_radps: float = setting(
        0.001, 0.0, 1.0,
        'Standard deviation of the mean rate of a gyroscope over an interval, without its bias. '
        'Above the noise of the sensors in use, 0.01 deg/s per root hertz (common practice, no '
        'source).')
    gyro_bias_radps: float = setting(
        0.02, 0.0, 1.0,
        'Largest plausible bias of a gyroscope, as a standard deviation: one degree a second.')
    wheel_turn_noise_radps: float = setting(
        0.01, 0.0, 1.0,
        'The same for the turn rate of wheel odometry: tyres creep.')
    wheel_noise_fraction: float = setting(
        0.01, 0.0, 1.0,
        'Standard deviation of wheel odometry over one interval, as a share of the way, beyond '
        'its scale error (common practice, no source).')
    wheel_noise_m: float = setting(
        0.0005, 0.0, 1.0,
        'The part of that error which does not depend on the way: resolution, play.')
    scale_sigma: float = setting(
        0.03, 0.0, 1.0,
        'Standard deviation of scale errors and of a mount that is off, rad: about two degrees.')
    lateness_s: float = setting(
        0.03, 0.0, 1.0,
        'Standard deviation of how late the second source is stamped, compared with the unit, '
        'both clocks being on one time base.')
    longest_lateness_s: float = setting(
        0.2, 0.01, 10.0,
        'Streams whose clocks are further apart are not compared: their stamps mean different '
        'times.')
