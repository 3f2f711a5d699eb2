# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""CPU time to look at one picture of 1920 x 1080, from its bytes to the verdict on the camera."""

from __future__ import annotations

from io import BytesIO
from time import process_time

import numpy as np
from PIL import Image
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.picture import PICTURE_READERS
from robot_mapping_qa.pose.image_health import ImageHealthMonitor
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.image_measures import spread_windows
from robot_mapping_qa.rig.camera import wall_texture
from rosbags.typesys import get_typestore, Stores

WIDTH, HEIGHT = 1920, 1080
ROUNDS = 20
RAW, COMPRESSED = 'sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage'
STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
CHANNELS = {'mono8': 1, 'rgb8': 3, 'bayer_rggb8': 1}


def _serialized(kind: str, **fields: object) -> bytes:
    message = FACTORY.make(kind, header=make_header(FACTORY, 1, 'camera'), **fields)
    return bytes(STORE.serialize_cdr(message, kind))


def _pictures() -> dict[str, tuple[str, bytes]]:
    """Return type and bytes of one picture in each encoding."""
    grey = np.clip(wall_texture(HEIGHT, WIDTH, np.random.default_rng(1)), 0, 255).astype(np.uint8)
    found = {}
    for encoding, channels in CHANNELS.items():
        pixels = np.repeat(grey[..., None], channels, axis=-1)
        found[encoding] = (RAW, _serialized(
            RAW, height=HEIGHT, width=WIDTH, encoding=encoding, is_bigendian=0,
            step=channels * WIDTH, data=pixels.ravel()))
    for form in ('jpeg', 'png'):
        file = BytesIO()
        Image.fromarray(grey).convert('RGB').save(file, form)
        found[form] = (COMPRESSED, _serialized(
            COMPRESSED, format=form, data=np.frombuffer(file.getvalue(), np.uint8)))
    return found


def run() -> list[tuple[str, float, str, float | None]]:
    """Return (what, figure, unit, goal) for each encoding."""
    rows = []
    for encoding, (kind, data) in _pictures().items():
        monitor, times = ImageHealthMonitor('camera', ImageLimits(), captures=True), []
        for number in range(ROUNDS):
            start = process_time()
            monitor.add(PICTURE_READERS[kind](data, spread_windows), number, number)
            times.append(process_time() - start)
        rows.append((f'one picture, {encoding}', min(times) * 1e3, 'ms', None))
    return rows
