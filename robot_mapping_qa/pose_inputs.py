# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What each stream tells the pose monitor beside the pose, alike live and for a bag."""

from __future__ import annotations

from math import isfinite
from typing import Callable, Sequence

import numpy as np
from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.contents import at_once, cloud_reader, Work
from robot_mapping_qa.messages.angular_velocity import read_angular_velocity, TurnRates
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS, read_range
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.usable_pose import FASTEST
from robot_mapping_qa.verdicts import Event, Severity

Take = Callable[[int, bytes], None]
"""Takes receive time and bytes of a message."""

Happened = Callable[[Sequence[Event]], None]
"""Takes events."""

_IMU = 'sensor_msgs/msg/Imu'


def pose_input(stream: Stream, configuration: Configuration, monitor: PoseMonitor,
               happened: Happened, work: Work = at_once) -> Take | None:
    """
    Return what takes the messages of a stream on its own topic, None where they tell nothing.

    A message that cannot be used is a condition of the monitor, and an event where that is new.
    """
    if stream.role == 'geometry':
        return _geometry_input(stream, configuration, monitor, happened, work)
    if stream.role == 'motion':
        add = _imu_input(stream, monitor) if stream.type == _IMU else _odometry_input(
            stream, monitor)
    elif stream.role == 'map_pose':
        read = POSE_READERS[stream.type]

        def add(receive_ns: int, data: bytes) -> None:
            happened(monitor.add_map_pose(read(data), receive_ns))
    elif stream.role == 'distance':
        def add(receive_ns: int, data: bytes) -> None:
            monitor.add_range(read_range(data), receive_ns)
    else:
        return None

    # A second opinion that is asked for must not fall silent unheard.
    severity = Severity.HARD if stream.role == 'motion' and stream.required else Severity.NOTICE

    def take(receive_ns: int, data: bytes) -> None:
        try:
            add(receive_ns, data)
        except MalformedMessage as error:
            happened(monitor.unusable(stream.name, receive_ns, str(error), severity))
    return take


def _imu_input(stream: Stream, monitor: PoseMonitor) -> Take:
    name = stream.name

    def add(receive_ns: int, data: bytes) -> None:
        rate = read_angular_velocity(data)
        if rate is not None:
            stamp_ns, *turn = rate
            _refuse_impossible('turn rate', turn)
            monitor.add_motion(name, stamp_ns, receive_ns, tuple(turn))
    return add


def _refuse_impossible(what: str, values: Sequence[float]) -> None:
    # A NaN is not below the limit either.
    if not all(abs(value) < FASTEST for value in values):
        why = 'is not finite' if not isfinite(sum(values)) else 'no robot has'
        raise MalformedMessage(f'a {what} that {why}: {[round(value, 3) for value in values]}')


def _odometry_input(stream: Stream, monitor: PoseMonitor) -> Take:
    """Take the twist; while it has only ever been zero, the turn rate between the poses."""
    name, read, rates = stream.name, POSE_READERS[stream.type], TurnRates()

    def add(receive_ns: int, data: bytes) -> None:
        odometry = read(data)
        rate = rates.of(odometry)
        twist: tuple[float, ...] = ()
        if odometry.angular_radps is not None and odometry.linear_mps is not None:
            twist = (*odometry.angular_radps.tolist(), *odometry.linear_mps.tolist())
        _refuse_impossible('twist', twist)
        if rates.has_twist:
            monitor.add_motion(name, odometry.stamp_ns, receive_ns, twist)
        elif rate is not None:
            monitor.add_motion(name, rate[0], receive_ns, rate[1:])
    return add


def _geometry_input(stream: Stream, configuration: Configuration, monitor: PoseMonitor,
                    happened: Happened, work: Work) -> Take:
    name, read = stream.name, cloud_reader(configuration.geometry)

    def take(receive_ns: int, data: bytes) -> None:
        if not monitor.wants_geometry(name, receive_ns):
            return

        def done(result: np.ndarray | MalformedMessage) -> None:
            if isinstance(result, MalformedMessage):
                happened(monitor.unusable(name, receive_ns, str(result)))
            else:
                monitor.add_geometry(name, result, receive_ns)
        work(data, read, done)
    return take
