# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Making the monitors from a configuration, alike for the live nodes and the offline tool."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.pose.camera_monitor import CameraMonitor
from robot_mapping_qa.pose.image_health import ImageHealthMonitor
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.motion import MotionMonitor
from robot_mapping_qa.pose.motion_trust import MotionTrust
from robot_mapping_qa.pose.se3 import pose_matrix
from robot_mapping_qa.pose.second_source import SecondSource
from robot_mapping_qa.pose.working_distance import Sight
from robot_mapping_qa.timing.limits import StreamSpec
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.views import capture_views
from scipy.spatial.transform import Rotation


def make_timing_monitor(configuration: Configuration) -> TimingMonitor:
    """Return a monitor of the clocks and delays of every stream."""
    return TimingMonitor(
        [StreamSpec(name=stream.name, topic=stream.watched_topic, role=stream.role,
                    rate_hz=stream.rate_hz, required=stream.required,
                    delay_limit_s=stream.delay_limit_s, silence_s=stream.silence_s,
                    useful=stream.useful, clock_sigma_s=stream.clock_sigma_s)
         for stream in configuration.streams], configuration.timing)


def make_pose_monitor(configuration: Configuration) -> PoseMonitor:
    """Return a monitor of the unit's pose, looking where the inspection cameras look."""
    stream = configuration.pose_stream
    sights = [view.sight for view in capture_views(configuration).values()]
    trust = MotionTrust(configuration.trust, {
        source.name: SecondSource(
            configuration.trust, tuple(_turn(source).as_quat().tolist()), source.mount_xyz_m,
            planar=source.type != 'sensor_msgs/msg/Imu')
        for source in configuration.with_role('motion')})
    finders = configuration.with_role('distance')
    return PoseMonitor(
        stream.name, configuration.pose, configuration.working_distance_m,
        rate_hz=stream.rate_hz, silence_s=stream.silence_s,
        sights=sights or [Sight()], degradation=configuration.degradation,
        mounts={lidar.name: pose_matrix(_turn(lidar).as_matrix(), np.array(lidar.mount_xyz_m))
                for lidar in configuration.with_role('geometry')},
        point_error_limit_m=configuration.point_error_limit_m, trust=trust,
        range_finder=finders[0].name if finders else None,
        has_map=bool(configuration.with_role('map_pose')))


def make_camera_monitor(configuration: Configuration) -> CameraMonitor:
    """Return a monitor of the cameras' pictures, and of the unit's motion in view of them."""
    limits = configuration.image
    cameras = {
        stream.name: ImageHealthMonitor(
            # A slow camera is not missing between two of its pictures.
            stream.name, replace(limits, stale_s=max(limits.stale_s, 5.0 / stream.rate_hz))
            if stream.rate_hz else limits, captures=stream.role == 'capture')
        for stream in configuration.cameras}
    scan_rates_hz = [lidar.rate_hz for lidar in configuration.with_role('geometry')
                     if lidar.rate_hz]
    motion = MotionMonitor(
        configuration.pose_stream.name, configuration.motion,
        [cameras[stream.name] for stream in configuration.cameras if stream.aids],
        # The slowest scan sweeps farthest.
        scan_rate_hz=min(scan_rates_hz, default=None))
    return CameraMonitor(cameras.values(), motion,
                         [stream.name for stream in configuration.cameras if stream.required])


def _turn(stream: Stream) -> Rotation:
    """Return the rotation from the stream's axes to the unit's."""
    # Fixed-axis roll, pitch, yaw (REP 103).
    return Rotation.from_euler('xyz', stream.mount_rpy_rad)
