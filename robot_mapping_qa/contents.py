# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What is worked out of one cloud or picture alone, whatever came before it.

It takes milliseconds a message, and gives the same numbers in whichever process it is done.
"""

from __future__ import annotations

from functools import partial
from typing import Any, Callable, NamedTuple

import numpy as np
from robot_mapping_qa.messages.picture import PICTURE_READERS
from robot_mapping_qa.messages.point_cloud import read_points
from robot_mapping_qa.messages.serialized import MalformedMessage, read_header
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.image_measures import picture_figures, PictureFigures, spread_windows
from robot_mapping_qa.pose.lidar_geometry import cloud_information

Reader = Callable[[bytes], Any]
"""Takes the bytes of a message, returns what they tell or the `MalformedMessage`; pickles."""

Work = Callable[[bytes, Reader, Callable[[Any], None]], None]
"""Has a message read, which may take milliseconds, and hands over what it tells."""


def at_once(data: bytes, read: Reader, done: Callable[[Any], None]) -> None:
    """Read a message and hand over what it tells before anything else."""
    done(read(data))


class LookedAt(NamedTuple):
    """
    What one picture shows.

    ``windows`` are those of `spread_windows`; ``figures`` are None for a picture of 16 bits, whose
    depth only its camera's other pictures tell.
    """

    stamp_ns: int
    windows: np.ndarray
    figures: PictureFigures | None


def cloud_reader(limits: GeometryLimits) -> Reader:
    """Return what reads a PointCloud2: the information (6, 6) of `cloud_information`."""
    return partial(_read_cloud, limits)


def picture_reader(kind: str, limits: ImageLimits) -> Reader:
    """Return what reads a picture of a message type: a `LookedAt`."""
    return partial(_read_picture, kind, limits)


def _read_cloud(limits: GeometryLimits, data: bytes) -> np.ndarray | MalformedMessage:
    try:
        return cloud_information(read_points(data), limits)
    except MalformedMessage as error:
        return error
    except ValueError as error:
        return MalformedMessage(str(error))


def _read_picture(kind: str, limits: ImageLimits, data: bytes) -> LookedAt | MalformedMessage:
    try:
        stamp_ns, _ = read_header(data)
        windows = PICTURE_READERS[kind](data, spread_windows)
    except MalformedMessage as error:
        return error
    return LookedAt(stamp_ns, windows, picture_figures(windows.astype(np.float32), limits)
                    if windows.dtype == np.uint8 else None)
