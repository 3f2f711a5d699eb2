# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The 95 % error of a point on the structure follows from the pose covariance."""

import numpy as np
import pytest
from robot_mapping_qa.pose.point_error import error_radius, point_covariance, point_error_m
from rotations import rotation_by
from scipy.special import chdtr

# Upper 5 % points of the chi-square distribution for 1, 2 and 3 degrees of freedom:
# NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4 (from memory).
CHI_SQUARE_95 = {1: 3.841, 2: 5.991, 3: 7.815}


@pytest.mark.parametrize('axes', [1, 2, 3])
def test_radius_of_equal_axes_is_the_tabulated_quantile(axes):
    covariance = np.zeros((3, 3))
    covariance[:axes, :axes] = 0.04 * np.eye(axes)
    expected_m = 0.2 * CHI_SQUARE_95[axes] ** 0.5
    assert error_radius(covariance) == pytest.approx(expected_m, rel=1e-4)


def exact_probability(square, eigenvalues, nodes=100):
    """
    Return P(|e|^2 <= square) by integration over the directions of e.

    e is r times a uniformly distributed direction u after scaling; given u, the probability is
    that of a chi-square variable with three degrees of freedom.
    """
    x, weight = np.polynomial.legendre.leggauss(nodes)
    z, azimuth = (x + 1.0) / 2.0, (x + 1.0) * np.pi / 4.0
    equator = (1.0 - z ** 2)[:, None] * (
        eigenvalues[1] * np.cos(azimuth) ** 2 + eigenvalues[2] * np.sin(azimuth) ** 2)
    stretch = eigenvalues[0] * z[:, None] ** 2 + equator
    return weight @ chdtr(3, square / stretch) @ weight / 4.0


def test_radius_is_within_six_tenths_of_a_percent_for_every_ratio_of_axes():
    ratios = np.concatenate([[0.003], np.geomspace(0.02, 1.0, 7)])
    for second in ratios:
        for third in ratios[ratios <= second]:
            eigenvalues = (1.0, second, third)
            radius = float(error_radius(np.diag(eigenvalues)))
            # The exact radius lies between these two.
            assert exact_probability((radius / 0.999) ** 2, eigenvalues) >= 0.95
            assert exact_probability((radius / 1.006) ** 2, eigenvalues) <= 0.95


def random_covariance(random, sigma_m=0.02, sigma_rad=0.01):
    factor = random.standard_normal((6, 6)) @ np.diag(random.uniform(0.1, 1.0, 6))
    scale = np.array([sigma_m] * 3 + [sigma_rad] * 3)
    return (factor @ factor.T) * np.outer(scale, scale)


def test_radius_holds_95_percent_of_points_through_the_true_chain():
    random = np.random.default_rng(11)
    for _ in range(5):
        covariance = random_covariance(random)
        lever_m = random.standard_normal(3) * 3.0
        error = random.multivariate_normal(np.zeros(6), covariance, size=100_000)
        # No linearization here: the lever is really turned by the rotation error.
        points = error[:, :3] + rotation_by(error[:, 3:]) @ lever_m
        radius_m = point_error_m(covariance, tuple(lever_m))
        held = np.mean(np.linalg.norm(points - lever_m, axis=1) <= radius_m)
        assert 0.945 <= held <= 0.958


def test_rotation_error_counts_in_proportion_to_the_distance():
    covariance = np.diag([0, 0, 0, 0, 0, 0.01 ** 2])
    near, far = (point_error_m(covariance, (r, 0.0, 0.0)) for r in (1.0, 4.0))
    assert near == pytest.approx(0.01 * CHI_SQUARE_95[1] ** 0.5, rel=1e-4)
    assert far == pytest.approx(4.0 * near)
    # Turning about the line of sight moves nothing.
    assert point_error_m(covariance, (0.0, 0.0, 4.0)) == 0.0


def test_correlation_between_position_and_rotation_counts():
    # The unit turns about the point it looks at: position error cancels rotation error.
    lever = np.array([3.0, 0.0, 0.0])
    jacobian = np.zeros((6, 1))
    jacobian[5] = 0.01
    jacobian[:3, 0] = -np.cross([0.0, 0.0, 0.01], lever)
    assert point_error_m(jacobian @ jacobian.T, tuple(lever)) == pytest.approx(0.0, abs=1e-9)


def test_array_form_and_single_form_agree():
    random = np.random.default_rng(3)
    covariances = np.array([random_covariance(random) for _ in range(50)])
    levers_m = random.standard_normal((50, 3))
    single = [point_error_m(c, tuple(lever)) for c, lever in zip(covariances, levers_m)]
    assert error_radius(point_covariance(covariances, levers_m)) == pytest.approx(single)
