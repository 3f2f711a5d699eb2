# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Poses and covariances drawn at random, and how a covariance is held against drawn samples."""

import numpy as np
from robot_mapping_qa.pose import se3, so3

SAMPLES = 100_000


def random_pose(random, shape=()):
    vector = random.standard_normal(shape + (3,))
    return se3.pose_matrix(so3.exp(vector), 2.0 * random.standard_normal(shape + (3,)))


def random_covariance(random, sigma_m=0.01, sigma_rad=0.005):
    factor = random.standard_normal((6, 6))
    scale = np.array([sigma_m] * 3 + [sigma_rad] * 3)
    return factor @ factor.T / 6.0 * np.outer(scale, scale)


def assert_same_covariance(found, expected):
    """
    Compare each variance within 3 %, each correlation within 0.03.

    With 1e5 samples the random error of both is 0.5 % (one sigma); the rest is for the terms
    that first order leaves out.
    """
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.abs((found - expected) / scale).max() < 0.03
