# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Making messages by type name, for publishing and for writing bags.

The live nodes need the classes of the ROS installation, the offline tool runs without one and
takes those of `rosbags`. Both have the same fields, so what is sent and what is written is put
together by the same code (`outputs`), which asks one of these factories for the objects.
"""

from __future__ import annotations

from functools import lru_cache
import importlib
from typing import Any, Protocol

_NANOSECONDS = 1_000_000_000
_SECONDS_END = 1 << 31


class MessageFactory(Protocol):
    """Something that makes messages by type name."""

    def make(self, type_name: str, **fields: Any) -> Any:
        """Return a message of a type such as 'std_msgs/msg/Bool' with all its fields given."""


class RclpyFactory:
    """Messages of the sourced ROS 2 installation."""

    def make(self, type_name: str, **fields: Any) -> Any:
        """Return a message of the ROS installation; see `MessageFactory`."""
        if type_name == 'diagnostic_msgs/msg/DiagnosticStatus':
            # rclpy holds the `byte` of the interface as bytes, rosbags as a number.
            fields['level'] = bytes([fields['level']])
        return message_class(type_name)(**fields)


class RosbagsFactory:
    """Messages of a `rosbags` type store."""

    def __init__(self, typestore: Any) -> None:
        """Keep the type store that makes, and later serializes, the messages."""
        self.typestore = typestore

    def make(self, type_name: str, **fields: Any) -> Any:
        """Return a message of the type store; see `MessageFactory`."""
        return self.typestore.types[type_name](**fields)


@lru_cache(maxsize=None)
def message_class(type_name: str) -> type[Any]:
    """
    Return the rclpy class of a type name such as 'sensor_msgs/msg/Image'.

    Raises LookupError, with a sentence for the user, where the type is not installed.
    """
    package, _, rest = type_name.partition('/')
    try:
        return getattr(importlib.import_module(f'{package}.msg'), rest.partition('/')[2])
    except (ImportError, AttributeError) as error:
        raise LookupError(
            f'message type {type_name} is not installed: is its package built and sourced?'
        ) from error


def has_header(type_name: str) -> bool:
    """
    Return whether messages of an rclpy type begin with a std_msgs/Header, and so with a stamp.

    Raises LookupError where the type is not installed.
    """
    fields = message_class(type_name).get_fields_and_field_types()
    return next(iter(fields.values()), None) == 'std_msgs/Header'


def make_time(factory: MessageFactory, stamp_ns: int) -> Any:
    """Return a builtin_interfaces/Time."""
    return factory.make('builtin_interfaces/msg/Time', sec=stamp_ns // _NANOSECONDS,
                        nanosec=stamp_ns % _NANOSECONDS)


def fits_time(stamp_ns: int) -> bool:
    """Return whether a builtin_interfaces/Time can hold it: from 1901 to 2038."""
    return -_SECONDS_END <= stamp_ns // _NANOSECONDS < _SECONDS_END


def make_header(factory: MessageFactory, stamp_ns: int, frame: str = '') -> Any:
    """Return a std_msgs/Header."""
    return factory.make('std_msgs/msg/Header', stamp=make_time(factory, stamp_ns),
                        frame_id=frame)


def time_ns(stamp: Any) -> int:
    """Return a builtin_interfaces/Time as ns."""
    return stamp.sec * _NANOSECONDS + stamp.nanosec
