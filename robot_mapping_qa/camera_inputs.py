# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the messages tell the camera monitor, alike live and for a bag."""

from __future__ import annotations

from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.contents import at_once, LookedAt, picture_reader, Work
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS
from robot_mapping_qa.pose.camera_monitor import CameraMonitor
from robot_mapping_qa.pose_inputs import Take


def picture_input(stream: Stream, configuration: Configuration, monitor: CameraMonitor,
                  work: Work = at_once) -> Take:
    """Return what takes the pictures of a camera; only those that are wanted are decoded."""
    name, read = stream.name, picture_reader(stream.type, configuration.image)

    def take(receive_ns: int, data: bytes) -> None:
        if not monitor.wants_picture(name, receive_ns):
            return

        def done(seen: LookedAt | MalformedMessage) -> None:
            if isinstance(seen, MalformedMessage):
                monitor.malformed_picture(name, receive_ns, str(seen))
            else:
                monitor.add_picture(name, seen.windows, seen.stamp_ns, receive_ns, seen.figures)
        work(data, read, done)
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
