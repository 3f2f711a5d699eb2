# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The error budget of a point on the structure, against samples and against the GUM."""

import numpy as np
import pytest
from robot_mapping_qa.capture.budget import (
    Budget, combined_radius_m, exact_radius, point_budget)
from rotations import rotation_by
from scipy.optimize import brentq
from scipy.special import chdtr

AXIS_X = np.diag([1.0, 0.0, 0.0])


def along_x(variance):
    return variance * AXIS_X


# The rule of combination, against the GUM


def test_independent_contributions_add_as_variances():
    """
    End gauge, JCGM 100:2008 example H.1, first order (values from memory).

    Standard 25 nm, comparator 9.7 nm, difference of expansion coefficients 2.9 nm, difference
    of temperatures 16.6 nm: combined 32 nm.
    """
    budget = Budget({name: along_x(nm ** 2) for name, nm in (
        ('standard', 25.0), ('comparator', 9.7), ('expansion', 2.9), ('temperature', 16.6))})
    assert budget.covariance[0, 0] ** 0.5 == pytest.approx(32.0, abs=0.5)
    shares = {name: share[0] for name, share in budget.axis_shares().items()}
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares['standard'] == pytest.approx(625.0 / 1002.0, abs=0.002)


@pytest.mark.parametrize('of_voltage, of_current, of_phase, expected', [
    ('cos(p)/i', '-v*cos(p)/i**2', '-v*sin(p)/i', 0.071),
    ('sin(p)/i', '-v*sin(p)/i**2', 'v*cos(p)/i', 0.295),
    ('1/i', '-v/i**2', '0.0', 0.236)])
def test_correlated_contributions_follow_equation_13(of_voltage, of_current, of_phase, expected):
    """
    Resistance, reactance and impedance, JCGM 100:2008 example H.2 (values from memory).

    Voltage, current and phase take the places of the position error along x and of the rotation
    errors about y and z; the lever takes that of the sensitivities. The inputs are published
    with two digits, hence the 2 %; without the correlations the results are off by far more.
    """
    v, i, p = 4.9990, 19.661e-3, 1.04446
    sigma = np.array([0.0032, 0.0095e-3, 0.00075])
    correlation = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    known = {'v': v, 'i': i, 'p': p, 'cos': np.cos, 'sin': np.sin}
    slopes = [eval(text, known) for text in (of_voltage, of_current, of_phase)]
    covariance = np.zeros((6, 6))
    places = np.ix_([0, 4, 5], [0, 4, 5])
    scale = sigma * [slopes[0], 1.0, 1.0]
    covariance[places] = correlation * np.outer(scale, scale)
    # The error along x is dx + b z - c y.
    budget = point_budget(covariance, np.array([0.0, -slopes[2], slopes[1]]), np.zeros(3),
                          np.zeros(3), 0.0)
    assert budget.covariance[0, 0] ** 0.5 == pytest.approx(expected, rel=0.02)
    assert budget.parts['correlation'][0, 0] != 0.0


# The radius


def exact_by_integration(eigenvalues, nodes=200):
    """Return the radius by a fine quadrature over the directions and a root search."""
    x, weight = np.polynomial.legendre.leggauss(nodes)
    z, azimuth = (x + 1.0) / 2.0, (x + 1.0) * np.pi / 4.0
    stretch = eigenvalues[0] * z[:, None] ** 2 + (1.0 - z ** 2)[:, None] * (
        eigenvalues[1] * np.cos(azimuth) ** 2 + eigenvalues[2] * np.sin(azimuth) ** 2)
    return brentq(lambda r: weight @ chdtr(3, r * r / stretch) @ weight / 4.0 - 0.95, 0.5, 4.0,
                  xtol=1e-10)


@pytest.mark.parametrize('axes, chi_square', [(1, 3.841459), (2, 5.991465), (3, 7.814728)])
def test_radius_of_equal_axes_is_that_of_chi_square(axes, chi_square):
    """NIST/SEMATECH e-Handbook 1.3.6.7.4, digits beyond the third from memory."""
    covariance = np.diag([1.0] * axes + [0.0] * (3 - axes))
    assert exact_radius(covariance) == pytest.approx(chi_square ** 0.5, rel=1e-5)


@pytest.mark.parametrize('second', [1e-4, 0.03, 0.2, 0.5, 1.0])
@pytest.mark.parametrize('third', [0.0, 0.1, 1.0])
def test_radius_is_exact_for_every_ratio_of_axes(second, third):
    eigenvalues = (1.0, second, second * third)
    turn = rotation_by(np.array([0.3, -0.8, 1.9]))
    covariance = turn @ np.diag(eigenvalues) @ turn.T * 0.02 ** 2
    assert exact_radius(covariance) == pytest.approx(
        0.02 * exact_by_integration(eigenvalues), rel=1e-4)


def test_radius_of_nothing_is_nothing():
    assert exact_radius(np.zeros((3, 3))) == 0.0


def test_combined_radii_are_never_below_the_radius_of_the_sum():
    random = np.random.default_rng(8)
    factors = random.standard_normal((2, 2000, 3, 3)) * 10.0 ** random.uniform(
        -2, 0, (2, 2000, 1, 3))
    one, other = factors @ np.swapaxes(factors, -1, -2)
    ratio = exact_radius(one + other) / np.hypot(exact_radius(one), exact_radius(other))
    assert ratio.max() <= 1.0001
    assert ratio.min() > 0.87
    assert combined_radius_m(3.0, 4.0, 12.0) == 13.0


# The whole chain, without any linearization

MOUNT_M = np.array([0.2, -0.1, 0.4])
SIGHT_M = np.array([3.0, 0.0, 0.0])
LEVER_M = MOUNT_M + SIGHT_M
VELOCITY, TURN_RATE = np.array([0.6, 0.2, 0.0]), np.array([0.0, 0.1, 0.5])


def sampled_radius(covariance, sigma_s, mount_m, mount_rad, count=200_000, seed=3):
    """Return the 95 % quantile of the error of the point, from poses, stamps and mountings."""
    random = np.random.default_rng(seed)
    pose = random.multivariate_normal(np.zeros(6), covariance, count, method='eigh')
    seconds = sigma_s * random.standard_normal((count, 1))
    camera_m = mount_m * random.standard_normal((count, 3))
    camera = rotation_by(mount_rad * random.standard_normal((count, 3)))
    moved = rotation_by(TURN_RATE * seconds)
    in_unit = MOUNT_M + camera_m + camera @ SIGHT_M
    turned = rotation_by(pose[:, 3:]) @ moved @ in_unit[..., None]
    point = pose[:, :3] + VELOCITY * seconds + turned[..., 0]
    return np.quantile(np.linalg.norm(point - LEVER_M, axis=1), 0.95)


def pose_covariance(sigma_m, sigma_rad, seed=1):
    factor = np.random.default_rng(seed).uniform(-0.5, 0.5, (6, 6)) + np.eye(6)
    covariance = factor @ factor.T
    scale = np.array([sigma_m] * 3 + [sigma_rad] * 3) / np.sqrt(np.diag(covariance))
    return covariance * np.outer(scale, scale)


@pytest.mark.parametrize('sigma_m, sigma_rad, sigma_s, mount_m, mount_rad', [
    (0.01, 0.003, 0.005, 0.003, 0.002),
    (0.001, 0.02, 0.0, 0.0, 0.0),
    (0.01, 0.001, 0.08, 0.0, 0.0),
    (0.001, 0.001, 0.0, 0.01, 0.02),
    (0.05, 0.15, 0.1, 0.02, 0.05)])
def test_first_order_budget_is_within_3_percent_of_the_true_chain(
        sigma_m, sigma_rad, sigma_s, mount_m, mount_rad):
    covariance = pose_covariance(sigma_m, sigma_rad)
    budget = point_budget(covariance, LEVER_M, VELOCITY, TURN_RATE, sigma_s, SIGHT_M, mount_m,
                          mount_rad)
    assert float(budget.radius_m) == pytest.approx(
        sampled_radius(covariance, sigma_s, mount_m, mount_rad), rel=0.03)


@pytest.mark.parametrize('sigma_s', [0.0, 0.004, 0.02])
@pytest.mark.parametrize('moved_s', [-0.003, 0.01, 0.05])
def test_known_movement_of_the_clock_is_bounded_by_its_shift(moved_s, sigma_s):
    """Against samples: never below what 95 of 100 errors stay below, at most 42 % above it."""
    covariance = pose_covariance(0.01, 0.003)
    budget = point_budget(covariance, LEVER_M, VELOCITY, TURN_RATE, sigma_s, SIGHT_M,
                          moved_time_s=moved_s)
    shift_m = (VELOCITY + np.cross(TURN_RATE, LEVER_M)) * moved_s
    random = np.random.default_rng(3)
    errors = shift_m + random.multivariate_normal(np.zeros(3), budget.covariance, 200_000)
    ratio = float(budget.radius_m) / np.quantile(np.linalg.norm(errors, axis=1), 0.95)
    assert 0.99 < ratio < 1.42
    assert budget.shares()['time'] == pytest.approx(
        np.sum(shift_m ** 2) * (1.0 + (sigma_s / moved_s) ** 2)
        / (np.sum(shift_m ** 2) + np.trace(budget.covariance)))


def test_first_order_ends_where_rotation_errors_are_large():
    """At 0.4 rad the second order shows: nothing on a sphere is farther off than its diameter."""
    covariance = pose_covariance(0.001, 0.4)
    budget = point_budget(covariance, LEVER_M, VELOCITY, TURN_RATE, 0.0, SIGHT_M)
    ratio = float(budget.radius_m) / sampled_radius(covariance, 0.0, 0.0, 0.0)
    assert ratio > 1.03


def test_shares_of_every_contribution_add_up():
    budget = point_budget(pose_covariance(0.01, 0.003), LEVER_M, VELOCITY, TURN_RATE, 0.01,
                          SIGHT_M, 0.002, 0.001)
    total = sum(budget.shares().values())
    assert total == pytest.approx(1.0)
    assert sum(budget.axis_shares().values()) == pytest.approx(np.ones(3))
    assert budget.shares()['time'] == pytest.approx(
        np.sum((VELOCITY + np.cross(TURN_RATE, LEVER_M)) ** 2) * 1e-4
        / np.trace(budget.covariance))
