# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Memory and time of the offline tool over bags of pictures and clouds, of half a gigabyte and more.

Run it by hand: `python test/bench/large_bag.py 0.5 5`. It writes one bag after the other into a
temporary folder and removes it; it needs the size of the largest on the disk.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
import resource
import shutil
import subprocess
import sys
import tempfile
from time import process_time
from typing import Sequence

import numpy as np
from robot_mapping_qa.bag.reading import STAMP_BYTES
from robot_mapping_qa.bag.recorder import Recorder, Split
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder
from rosbags.rosbag2 import Reader
from rosbags.typesys import get_typestore, Stores

PICTURE, CLOUDS = '/front/image_raw', '/roof/points'
HEIGHT, WIDTH = 1200, 1920
"""A 2.3 megapixel camera, 8 bit grey: 35 MB/s at 15 Hz."""

TRANSPORT_NS = 300_000
ROOM = 1.1
STEP_S = 600.0


def _pictures() -> list[np.ndarray]:
    """Return pictures that compress like those of a camera: a smooth scene with noise."""
    rng = np.random.default_rng(1)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    scene = 128.0 + 60.0 * np.sin(rows / 90.0) * np.cos(columns / 70.0)
    return [np.clip(scene + rng.normal(0.0, 3.0, scene.shape), 0, 255).astype(np.uint8)
            for _ in range(4)]


def write_large(path: Path, size_bytes: float, clouds: Sequence[bytes] = ()) -> float:
    """
    Write a bag of at least a size, in files of 4 GB; return how many seconds it spans.

    ``clouds`` are serialized messages that stand in for the rig's in turn, with their stamps.
    """
    store = get_typestore(Stores.ROS2_JAZZY)
    builder = MessageBuilder(
        {name: store.types[name] for name in MESSAGE_TYPES}, lambda values: values)
    rig = Rig(replace(load_scenario('healthy'), duration_s=STEP_S * 10.0), pictures=False)
    image = store.types['sensor_msgs/msg/Image']
    pictures = _pictures()
    recorder = Recorder(path, split=Split(4_000_000_000))
    for topic, kind in rig.topics.items():
        recorder.add_topic(topic, kind)
    recorder.add_topic(PICTURE, 'sensor_msgs/msg/Image')
    first_ns = log_ns = None
    for number, message in enumerate(rig.messages()):
        log_ns = max((log_ns or 0) + 1, message.publish_ns + TRANSPORT_NS)
        first_ns = first_ns or log_ns
        content = builder.build(message)
        data = bytes(store.serialize_cdr(content, rig.topics[message.topic]))
        if clouds and message.topic == CLOUDS:
            cloud = clouds[number % len(clouds)]
            data = cloud[:4] + data[4:STAMP_BYTES] + cloud[STAMP_BYTES:]
        recorder.write(message.topic, log_ns, data)
        if message.topic == '/front/camera_info':
            picture = image(
                header=content.header, height=HEIGHT, width=WIDTH, encoding='mono8',
                is_bigendian=0, step=WIDTH, data=pictures[number % len(pictures)].ravel())
            recorder.write(PICTURE, log_ns, bytes(
                store.serialize_cdr(picture, 'sensor_msgs/msg/Image')))
        if recorder.written_bytes >= size_bytes:
            break
    recorder.close()
    return (log_ns - first_ns) * 1e-9


def _bare_s(bag: Path) -> float:
    """Return the CPU time that going through all messages takes."""
    start = process_time()
    with Reader(bag) as reader:
        for _ in reader.messages():
            pass
    return process_time() - start


def measure(bag: Path, out: Path) -> tuple[float, float]:
    """Return CPU time and peak memory in MB of `assess_bag` in a process of its own."""
    finished = subprocess.run(
        [sys.executable, __file__, '--child', str(bag), str(out)], capture_output=True, text=True,
        check=True)
    *_, cpu_s, peak_mb = finished.stdout.split()
    return float(cpu_s), float(peak_mb)


def _child(bag: str, out: str) -> None:
    from robot_mapping_qa.bag.assess_bag import main
    if main([bag, '--config', str(share_file('config/streams.yaml')), '--out', out]):
        raise SystemExit('the bag was refused')
    used = resource.getrusage(resource.RUSAGE_SELF)
    # Linux counts in KiB.
    print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0)


def main() -> None:
    """Write, read and remove a bag for each size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('gigabytes', nargs='*', type=float, default=[0.5, 5.0])
    parser.add_argument('--child', nargs=2, metavar=('BAG', 'OUT'), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        _child(*options.child)
        return
    for gigabytes in options.gigabytes:
        with tempfile.TemporaryDirectory() as scratch:
            free = shutil.disk_usage(scratch).free
            if free < ROOM * gigabytes * 1e9:
                raise SystemExit(f'{scratch}: {free / 1e9:.1f} GB are free, not enough')
            bag = Path(scratch) / 'bag'
            seconds = write_large(bag, gigabytes * 1e9)
            _bare_s(bag)
            bare_s = _bare_s(bag)
            took_s, peak_mb = measure(bag, Path(scratch) / 'out')
        print(f'{gigabytes:g} GB, {seconds:.0f} s recorded: peak {peak_mb:.0f} MB, '
              f'{took_s:.1f} s of CPU time, {took_s / bare_s:.2f} times a bare reader '
              f'({bare_s:.1f} s)',
              flush=True)


if __name__ == '__main__':
    main()
