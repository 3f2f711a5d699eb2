# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Quaternions as plain tuples agree with scipy's rotations."""

import numpy as np
import pytest
from robot_mapping_qa.pose.quaternion import (
    conjugate, from_rotation_vector, multiply, rotate, rotation_vector,
)
from scipy.spatial.transform import Rotation

VECTORS = np.vstack([
    np.random.default_rng(2).standard_normal((50, 3)), [[0.0, 0.0, 0.0], [1e-12, 0.0, 0.0],
                                                        [0.0, 3.14159, 0.0]]])


@pytest.mark.parametrize('vector', VECTORS.tolist())
def test_operations_agree_with_scipy(vector):
    quaternion = from_rotation_vector(vector)
    reference = Rotation.from_rotvec(vector)
    assert quaternion == pytest.approx(reference.as_quat(), abs=1e-14)
    assert rotation_vector(quaternion) == pytest.approx(reference.as_rotvec(), abs=1e-12)
    assert rotate(quaternion, (1.0, 2.0, 3.0)) == pytest.approx(
        reference.apply([1.0, 2.0, 3.0]), abs=1e-13)
    other = Rotation.from_euler('xyz', [0.3, -0.5, 1.7])
    product = (reference * other.inv()).as_matrix()
    found = multiply(quaternion, conjugate(tuple(other.as_quat())))
    assert Rotation.from_quat(found).as_matrix() == pytest.approx(product, abs=1e-13)


def test_rotation_vector_takes_the_shorter_way_round():
    quaternion = Rotation.from_rotvec([0.0, 0.0, 0.2]).as_quat()
    assert rotation_vector(tuple(-quaternion)) == pytest.approx((0.0, 0.0, 0.2))
