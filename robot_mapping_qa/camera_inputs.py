# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the messages tell the camera monitor, alike live and for a bag."""

from __future__ import annotations

from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.messages.picture import PICTURE_READERS
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS, read_header
from robot_mapping_qa.pose.camera_monitor import CameraMonitor
from robot_mapping_qa.pose.image_measures import spread_windows
from robot_mapping_qa.pose_inputs import Take


def picture_input(stream: Stream, monitor: CameraMonitor) -> Take:
    """Return what takes the pictures of a camera; only those that are wanted are decoded."""
    name, read = stream.name, PICTURE_READERS[stream.type]

    def take(receive_ns: int, data: bytes) -> None:
        if not monitor.wants_picture(name, receive_ns):
            return
        try:
            stamp_ns, _ = read_header(data)
            picture = read(data, spread_windows)
        except MalformedMessage as error:
            monitor.malformed_picture(name, receive_ns, str(error))
        else:
            monitor.add_picture(name, picture, stamp_ns, receive_ns)
    return take


def unit_input(stream: Stream, monitor: CameraMonitor) -> Take:
    """Return what takes the unit's poses, whose faults are for the pose monitor to tell."""
    read = POSE_READERS[stream.type]

    def take(receive_ns: int, data: bytes) -> None:
        try:
            odometry = read(data)
        except MalformedMessage:
            return
        monitor.add_pose(odometry, receive_ns)
    return take
