# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Reading the few fields that are needed straight from serialized messages.

Live subscriptions with ``raw=True`` and bags both give the bytes that the middleware carried:
OMG CDR (XCDR version 1, DDS-XTypes 1.3 section 7.4.1) behind a four byte encapsulation header,
each value aligned to its own size counted from the end of that header. Reading the header of a
picture this way costs the same as reading that of a small message.
"""

from __future__ import annotations

from dataclasses import replace
import struct

import numpy as np

from robot_mapping_qa.records import Imu, Odometry, Range

_ORIGIN = 4
_LITTLE_ENDIAN = b'\x00\x01'
_BIG_ENDIAN = b'\x00\x00'
_TIME = {'<': struct.Struct('<iI'), '>': struct.Struct('>iI')}
_RANGE = {'<': struct.Struct('<3f'), '>': struct.Struct('>3f')}
_LENGTH = {'<': struct.Struct('<I'), '>': struct.Struct('>I')}
_NUMBER = {'<': np.dtype('<f8'), '>': np.dtype('>f8')}
_NANOSECONDS = 1_000_000_000

_ODOMETRY_NUMBERS = 7 + 36 + 6 + 36
_POSE_WITH_COVARIANCE_NUMBERS = 7 + 36
_POSE_NUMBERS = 7
_IMU_NUMBERS = 4 + 9 + 3 + 9 + 3 + 9


class MalformedMessage(ValueError):
    """Bytes that are not the message they should be; the text says what is wrong."""


def _byte_order(data: bytes) -> str:
    kind = bytes(data[:2])
    if kind == _LITTLE_ENDIAN:
        return '<'
    if kind == _BIG_ENDIAN:
        return '>'
    raise MalformedMessage(
        f'encapsulation {kind.hex() or "missing"}, expected CDR (0000 or 0001)')


def _read_stamp(data: bytes, order: str) -> int:
    try:
        seconds, nanoseconds = _TIME[order].unpack_from(data, _ORIGIN)
    except struct.error:
        raise MalformedMessage(f'{len(data)} bytes end within the stamp') from None
    if nanoseconds >= _NANOSECONDS:
        raise MalformedMessage(f'stamp with {nanoseconds} nanoseconds, expected below 1e9')
    return seconds * _NANOSECONDS + nanoseconds


def _read_text(data: bytes, order: str, offset: int) -> tuple[str, int]:
    """Return a string and the offset behind it."""
    offset = _aligned(offset, 4)
    try:
        length, = _LENGTH[order].unpack_from(data, offset)
    except struct.error:
        raise MalformedMessage(f'{len(data)} bytes end before a frame name') from None
    end = offset + 4 + length
    if end > len(data):
        raise MalformedMessage(
            f'frame name of {length} bytes in a message with {len(data) - offset - 4} left')
    try:
        # The length counts the closing NUL; some writers send 0 for an empty string.
        return bytes(data[offset + 4:max(end - 1, offset + 4)]).decode('utf-8'), end
    except UnicodeDecodeError:
        raise MalformedMessage('frame name is not UTF-8') from None


def _aligned(offset: int, size: int) -> int:
    return _ORIGIN + -(-(offset - _ORIGIN) // size) * size


def _read_numbers(data: bytes, order: str, offset: int, count: int) -> np.ndarray:
    offset = _aligned(offset, 8)
    if len(data) < offset + 8 * count:
        raise MalformedMessage(f'{len(data)} bytes, expected at least {offset + 8 * count}')
    return np.frombuffer(data, _NUMBER[order], count, offset).astype(float)


def read_stamp(data: bytes) -> int:
    """
    Return the header stamp of any message that begins with a std_msgs/Header, in ns.

    Raises `MalformedMessage` where the bytes are cut or are not CDR.
    """
    return _read_stamp(data, _byte_order(data))


def read_header(data: bytes) -> tuple[int, str]:
    """Return stamp in ns and frame_id of any message that begins with a std_msgs/Header."""
    order = _byte_order(data)
    return _read_stamp(data, order), _read_text(data, order, _ORIGIN + 8)[0]


def read_odometry(data: bytes) -> Odometry:
    """Read a nav_msgs/Odometry; raises `MalformedMessage`."""
    order = _byte_order(data)
    stamp_ns = _read_stamp(data, order)
    frame, offset = _read_text(data, order, _ORIGIN + 8)
    child_frame, offset = _read_text(data, order, offset)
    numbers = _read_numbers(data, order, offset, _ODOMETRY_NUMBERS)
    return Odometry(
        stamp_ns, frame, child_frame, numbers[0:3], numbers[3:7], numbers[7:43].reshape(6, 6),
        numbers[43:46], numbers[46:49], numbers[49:85].reshape(6, 6))


def read_judged_pose(data: bytes) -> tuple[Odometry, bool]:
    """
    Read a message of `outputs.judged_pose_message`: the pose, and whether its covariance is known.

    Raises `MalformedMessage`.
    """
    pose = read_odometry(data)
    if pose.twist_covariance is not None and pose.twist_covariance[0, 0] == -1.0:
        pose = replace(pose, linear_mps=None, angular_radps=None, twist_covariance=None)
    return pose, bool(pose.covariance[0, 0] != -1.0)


def read_pose_with_covariance(data: bytes) -> Odometry:
    """Read a geometry_msgs/PoseWithCovarianceStamped, which has no twist and no child frame."""
    order = _byte_order(data)
    stamp_ns = _read_stamp(data, order)
    frame, offset = _read_text(data, order, _ORIGIN + 8)
    numbers = _read_numbers(data, order, offset, _POSE_WITH_COVARIANCE_NUMBERS)
    return Odometry(stamp_ns, frame, '', numbers[0:3], numbers[3:7],
                    numbers[7:43].reshape(6, 6), None, None, None)


def read_pose(data: bytes) -> Odometry:
    """Read a geometry_msgs/PoseStamped; its covariance is all zero, which means unknown."""
    order = _byte_order(data)
    stamp_ns = _read_stamp(data, order)
    frame, offset = _read_text(data, order, _ORIGIN + 8)
    numbers = _read_numbers(data, order, offset, _POSE_NUMBERS)
    return Odometry(stamp_ns, frame, '', numbers[0:3], numbers[3:7], np.zeros((6, 6)),
                    None, None, None)


def read_imu(data: bytes) -> Imu:
    """Read a sensor_msgs/Imu; a quantity whose covariance begins with -1 is not measured."""
    order = _byte_order(data)
    stamp_ns = _read_stamp(data, order)
    frame, offset = _read_text(data, order, _ORIGIN + 8)
    numbers = _read_numbers(data, order, offset, _IMU_NUMBERS)
    return Imu(stamp_ns, frame,
               None if numbers[16] == -1.0 else numbers[13:16],
               None if numbers[28] == -1.0 else numbers[25:28])


def read_range(data: bytes) -> Range:
    """Read a sensor_msgs/Range, with or without the variance that newer releases put last."""
    order = _byte_order(data)
    stamp_ns = _read_stamp(data, order)
    frame, offset = _read_text(data, order, _ORIGIN + 8)
    # Behind the kind of radiation, one byte, and the field of view.
    offset = _aligned(offset + 1, 4) + 4
    try:
        return Range(stamp_ns, frame, *_RANGE[order].unpack_from(data, offset))
    except struct.error:
        raise MalformedMessage(f'{len(data)} bytes, expected at least {offset + 12}') from None


POSE_READERS = {
    'nav_msgs/msg/Odometry': read_odometry,
    'geometry_msgs/msg/PoseWithCovarianceStamped': read_pose_with_covariance,
    'geometry_msgs/msg/PoseStamped': read_pose,
}
"""Readers of the message types that carry a pose."""
