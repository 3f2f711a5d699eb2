# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How the capture streams of a configuration look at the structure."""

from __future__ import annotations

from robot_mapping_qa.capture.view import View
from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.pose.quaternion import vector
from robot_mapping_qa.pose.working_distance import Sight
from scipy.spatial.transform import Rotation


def capture_views(configuration: Configuration) -> dict[str, View]:
    """Return how each capture stream looks at the structure, by the stream's name."""
    return {stream.name: _view(stream, configuration.working_distance_m)
            for stream in configuration.with_role('capture')}


def _view(stream: Stream, distance_m: float) -> View:
    # Fixed-axis roll, pitch, yaw (REP 103); a camera's body frame looks along its x axis.
    turn = Rotation.from_euler('xyz', stream.mount_rpy_rad)
    sight = Sight(vector(turn.apply((1.0, 0.0, 0.0)).tolist()), stream.mount_xyz_m)
    return View(sight, distance_m, stream.mount_sigma_m, stream.mount_sigma_rad)
