# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Making the monitors from a configuration, alike for the live nodes and the offline tool."""

from __future__ import annotations

from robot_mapping_qa.configuration import Configuration
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.timing.limits import StreamSpec
from robot_mapping_qa.timing.monitor import TimingMonitor
from scipy.spatial.transform import Rotation


def make_timing_monitor(configuration: Configuration) -> TimingMonitor:
    """Return a monitor of the clocks and delays of every stream."""
    return TimingMonitor(
        [StreamSpec(name=stream.name, topic=stream.watched_topic, role=stream.role,
                    rate_hz=stream.rate_hz, required=stream.required,
                    delay_limit_s=stream.delay_limit_s, silence_s=stream.silence_s)
         for stream in configuration.streams], configuration.timing)


def make_pose_monitor(configuration: Configuration) -> PoseMonitor:
    """Return a monitor of the unit's pose, looking where the first inspection camera looks."""
    stream = configuration.pose_stream
    cameras = configuration.with_role('capture')
    # Fixed-axis roll, pitch, yaw (REP 103); a camera's body frame looks along its x axis.
    turn = Rotation.from_euler('xyz', cameras[0].mount_rpy_rad if cameras else (0.0, 0.0, 0.0))
    return PoseMonitor(
        stream.name, configuration.pose, configuration.working_distance_m,
        rate_hz=stream.rate_hz, silence_s=stream.silence_s,
        view_direction=turn.apply((1.0, 0.0, 0.0)))
