# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Drift per distance of a trajectory against a better one, such as an odometry against its map.

The relative pose error over pieces of one length (Geiger, Lenz, Urtasun 2012, "Are we ready for
autonomous driving? The KITTI vision benchmark suite"; Sturm et al. 2012, "A benchmark for the
evaluation of RGB-D SLAM systems").
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robot_mapping_qa.pose import se3, so3


@dataclass(frozen=True, slots=True)
class Drift:
    """
    How much a trajectory drifts over a distance.

    ``mean_fraction`` and ``rms_fraction`` of the way (m/m) for the position, ``mean_rad_per_m``
    for the orientation, over ``pieces`` pieces that overlap.
    """

    mean_fraction: float
    rms_fraction: float
    mean_rad_per_m: float
    pieces: int


def drift_per_distance(reference: np.ndarray, trajectory: np.ndarray,
                       distance_m: float) -> Drift | None:
    """
    Compare two trajectories (n, 4, 4) of the same n instants over pieces of a distance.

    Each pose begins a piece, which ends at the first pose that is ``distance_m`` of the
    reference's way further on. The frames that both are given in do not matter. None where the
    way is shorter than one piece. Raises ValueError for arrays of other or unequal shapes, and a
    distance that is not above 0.
    """
    reference, trajectory = np.asarray(reference, float), np.asarray(trajectory, float)
    if reference.shape != trajectory.shape or reference.shape[1:] != (4, 4):
        raise ValueError(f'trajectories: found arrays of shape {reference.shape} and '
                         f'{trajectory.shape}, expected (n, 4, 4) twice')
    if not distance_m > 0.0:
        raise ValueError(f'distance_m: found {distance_m!r}, expected more than 0')
    steps_m = np.linalg.norm(np.diff(reference[:, :3, 3], axis=0), axis=1)
    way_m = np.concatenate([[0.0], np.cumsum(steps_m)])
    ends = np.searchsorted(way_m, way_m + distance_m)
    begins = np.flatnonzero(ends < len(way_m))
    if not len(begins):
        return None
    ends = ends[begins]
    true = se3.inverse(reference[begins]) @ reference[ends]
    found = se3.inverse(trajectory[begins]) @ trajectory[ends]
    error = se3.inverse(true) @ found
    length_m = way_m[ends] - way_m[begins]
    shares = np.linalg.norm(error[:, :3, 3], axis=1) / length_m
    turns = np.linalg.norm(so3.log(error[:, :3, :3]), axis=1) / length_m
    return Drift(float(shares.mean()), float(np.sqrt(np.mean(shares ** 2))),
                 float(turns.mean()), len(begins))
