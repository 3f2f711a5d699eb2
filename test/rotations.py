# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Rotations for the tests, by scipy."""

import numpy as np
from scipy.spatial.transform import Rotation


def rotation_by(vector: np.ndarray) -> np.ndarray:
    """Return the rotation (..., 3, 3) by |vector| rad about a vector (3,) or (n, 3)."""
    return Rotation.from_rotvec(vector).as_matrix()


def quaternion_of(rotation: np.ndarray) -> tuple[float, ...]:
    """Return the quaternion x, y, z, w, with w not negative, of a rotation (3, 3)."""
    return tuple(Rotation.from_matrix(rotation).as_quat(canonical=True).tolist())
