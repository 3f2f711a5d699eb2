# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Angular velocity straight from serialized bytes: all that the offset from motion needs.

An IMU sends hundreds of messages a second, of which three numbers are wanted.
"""

from __future__ import annotations

from math import isfinite
import struct
from typing import Callable

from robot_mapping_qa.messages.serialized import POSE_READERS, read_imu
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.timing.angular_velocity import AngularVelocityFromPoses

AngularVelocity = tuple[int, float, float, float]
"""Stamp in ns and the angular velocity about the sensor's axes, rad/s."""

_IMU = 'sensor_msgs/msg/Imu'
_LITTLE_ENDIAN = b'\x00\x01'
_HEAD = struct.Struct('<4xiII')
_RATE_AND_VARIANCE = struct.Struct('<4d')
_ORIENTATION_BYTES, _NUMBERS_BYTES = (4 + 9) * 8, (4 + 9 + 3 + 9 + 3 + 9) * 8
_NANOSECONDS = 1_000_000_000


def read_angular_velocity(data: bytes) -> AngularVelocity | None:
    """
    Return stamp and angular velocity of a sensor_msgs/Imu, None where it is not measured.

    Raises `MalformedMessage`.
    """
    if data[:2] == _LITTLE_ENDIAN:
        try:
            seconds, nanoseconds, length = _HEAD.unpack_from(data)
            # Behind the frame's name, on the next multiple of 8 counted from byte 4.
            numbers = 4 + (length + 12 + 7) // 8 * 8
            x, y, z, variance = _RATE_AND_VARIANCE.unpack_from(
                data, numbers + _ORIENTATION_BYTES)
        except struct.error:
            # Too short: the careful reader says what is wrong.
            read_imu(data)
            raise
        if nanoseconds >= _NANOSECONDS or len(data) < numbers + _NUMBERS_BYTES:
            read_imu(data)
        return None if variance == -1.0 else (seconds * _NANOSECONDS + nanoseconds, x, y, z)
    record = read_imu(data)
    if record.angular_radps is None:
        return None
    return (record.stamp_ns, *record.angular_radps.tolist())


class TurnRates:
    """
    Angular velocity of one stream of odometry or poses, alike live and for a bag.

    Many units fill in no twist, or only zeros: until one message had another number in its
    twist, the turn rate is that between the orientations.
    """

    def __init__(self) -> None:
        """Begin without a twist."""
        self.has_twist = False
        """Whether the twist is filled in."""
        self._from_poses = AngularVelocityFromPoses()

    def of(self, odometry: Odometry) -> AngularVelocity | None:
        """Return stamp and angular velocity of the next message, None while it is not known."""
        angular, linear = odometry.angular_radps, odometry.linear_mps
        if angular is not None and linear is not None:
            turn = angular.tolist()
            if not self.has_twist:
                twist = (*turn, *linear.tolist())
                self.has_twist = any(twist) and isfinite(sum(twist))
            if self.has_twist:
                return (odometry.stamp_ns, *turn)
        return self._from_poses.add(odometry.stamp_ns, *odometry.quaternion.tolist())


def angular_velocity_reader(type_name: str) -> Callable[[bytes], AngularVelocity | None]:
    """
    Return a function that reads the angular velocity of a stream's messages one after another.

    It raises `MalformedMessage`. KeyError for a type that carries no motion.
    """
    if type_name == _IMU:
        return read_angular_velocity
    read, rates = POSE_READERS[type_name], TurnRates()
    return lambda data: rates.of(read(data))
