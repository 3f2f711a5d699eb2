# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A process that records until it is killed; run it with the paths of the new bag and of a pose.

A hundred poses a second carry their number as x, and twenty pictures a second make the file grow
by 6 MB/s, so that a kill often meets a write. It tells on its output when it begins. The pose is
a serialized message whose x is `X_M`; with that, nothing heavy needs to be imported here.
"""

import os
from pathlib import Path
import struct
import sys
import time

from robot_mapping_qa.bag.background_recorder import BackgroundRecorder
from robot_mapping_qa.bag.definitions import standard_definition
from robot_mapping_qa.bag.disk_space import DiskLimits
from robot_mapping_qa.bag.recorder import Recorder, Split

POSE, PICTURE = '/unit/odometry', '/picture'
PICTURE_BYTES = 300_000
PERIOD_S = 0.01
X_M = 1234.56789

_STAMP_AT = 4


def record(path, pose):
    """Write numbered messages for ever."""
    x_at = pose.index(struct.pack('<d', X_M))
    recorder = BackgroundRecorder(
        Recorder(path, split=Split(span_ns=1_000_000_000)), standard_definition, DiskLimits(0, 0))
    recorder.add_topic(POSE, 'nav_msgs/msg/Odometry')
    recorder.add_topic(PICTURE, 'std_msgs/msg/ByteMultiArray')
    print('recording', flush=True)
    start_s = time.monotonic()
    number = 0
    while True:
        now_ns = time.time_ns()
        struct.pack_into('<iI', pose, _STAMP_AT, *divmod(now_ns, 1_000_000_000))
        struct.pack_into('<d', pose, x_at, float(number))
        recorder.write(POSE, now_ns, bytes(pose))
        if number % 5 == 0:
            # Bytes that cannot be compressed; nobody decodes them.
            recorder.write(PICTURE, now_ns, b'\0\1\0\0' + os.urandom(PICTURE_BYTES))
        number += 1
        time.sleep(max(0.0, start_s + number * PERIOD_S - time.monotonic()))


if __name__ == '__main__':
    record(sys.argv[1], bytearray(Path(sys.argv[2]).read_bytes()))
