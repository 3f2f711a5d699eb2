# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How the unit moved when a picture was taken."""

from __future__ import annotations

from robot_mapping_qa.pose.quaternion import (
    conjugate, multiply, Quaternion, rotate, rotation_vector, Vector, vector)
from robot_mapping_qa.pose.usable_pose import unit_quaternion
from robot_mapping_qa.records import Odometry


def unit_motion(first: Odometry, second: Odometry,
                quaternion: Quaternion) -> tuple[Vector, Vector] | None:
    """
    Return velocity (m/s) and angular velocity (rad/s) in the header's frame at an attitude.

    By the twist of the second pose, else by the difference between the two, which has the noise
    of both; None where they are one. A twist is about the child's axes, which ``quaternion``
    turns into those of the header (nav_msgs/Odometry).
    """
    if second.linear_mps is not None and second.angular_radps is not None:
        return (rotate(quaternion, vector(second.linear_mps.tolist())),
                rotate(quaternion, vector(second.angular_radps.tolist())))
    seconds = (second.stamp_ns - first.stamp_ns) * 1e-9
    if not seconds:
        return None
    way_m = (second.position_m - first.position_m).tolist()
    turn = rotation_vector(multiply(conjugate(unit_quaternion(first)), unit_quaternion(second)))
    return (vector(part / seconds for part in way_m),
            rotate(quaternion, vector(part / seconds for part in turn)))
