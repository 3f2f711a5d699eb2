# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Angular velocity straight from serialized bytes: all that the offset from motion needs.

An IMU sends hundreds of messages a second, of which three numbers are wanted.
"""

from __future__ import annotations

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
_ORIENTATION_BYTES = (4 + 9) * 8
_NANOSECONDS = 1_000_000_000


def read_angular_velocity(data: bytes, type_name: str) -> AngularVelocity | None:
    """
    Return stamp and angular velocity of an Imu or Odometry, None where it is not measured.

    Raises `MalformedMessage`, and KeyError for a type that carries no angular velocity.
    """
    if type_name == _IMU and data[:2] == _LITTLE_ENDIAN:
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
        return None if variance == -1.0 else (seconds * _NANOSECONDS + nanoseconds, x, y, z)
    record = read_imu(data) if type_name == _IMU else POSE_READERS[type_name](data)
    if record.angular_radps is None:
        return None
    return (record.stamp_ns, *record.angular_radps.tolist())


def angular_velocity_of(
        odometry: Odometry, from_poses: AngularVelocityFromPoses) -> AngularVelocity | None:
    """
    Return stamp and angular velocity of an odometry or pose; None while it is not known.

    Many units fill in no twist, or only zeros: then it follows from the orientations, which go
    through ``from_poses`` one by one.
    """
    if odometry.angular_radps is not None:
        x, y, z = odometry.angular_radps.tolist()
        if x or y or z:
            return odometry.stamp_ns, x, y, z
    return from_poses.add(odometry.stamp_ns, *odometry.quaternion.tolist())


def angular_velocity_reader(type_name: str) -> Callable[[bytes], AngularVelocity | None]:
    """
    Return a function that reads the angular velocity of a stream's messages one after another.

    It raises `MalformedMessage`. KeyError for a type that carries no motion.
    """
    if type_name == _IMU:
        return lambda data: read_angular_velocity(data, _IMU)
    read, from_poses = POSE_READERS[type_name], AngularVelocityFromPoses()
    return lambda data: angular_velocity_of(read(data), from_poses)
