# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Write a run of the rig into a bag, without waiting for it and without a ROS installation."""

from __future__ import annotations

from collections.abc import Callable
import json
from pathlib import Path
import shutil
from typing import Any, Literal

import numpy as np
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder
from robot_mapping_qa.rig.scenario import Scenario
from robot_mapping_qa.rig.simulation import DEFAULT_START_NS, Rig
from rosbags.rosbag1 import Writer as Ros1Writer
from rosbags.rosbag2 import StoragePlugin, Writer as Ros2Writer
from rosbags.typesys import get_typestore, Stores

TRANSPORT_LEAST_S = 0.0001
TRANSPORT_QUEUE_MEAN_S = 0.0002

_STORAGES = {'mcap': StoragePlugin.MCAP, 'sqlite3': StoragePlugin.SQLITE3}
_ROS2_BAG_VERSION: Literal[8] = 8


def write_bag(
        scenario: Scenario, path: str | Path, storage: str = 'mcap', pictures: bool = True,
        ros1: bool = False, start_ns: int = DEFAULT_START_NS, seed: int | None = None,
        truth_file: str | Path | None = None) -> dict[str, Any]:
    """
    Write the bag of a run to path and return the run's truth (Rig.truth).

    On a route the truth has also the true path (Rig.true_path) under 'path'. With a truth_file it
    is written there as JSON.

    A rosbag2 folder with storage 'mcap' or 'sqlite3', or with ros1 a single rosbag1 file. Log
    times are times of publication plus a transport delay of TRANSPORT_LEAST_S and an exponential
    part; the recorder takes one message after the other, so they increase. Without pictures the
    image topics are left out, which makes bag and writing much smaller.

    Raises ValueError for an unknown storage and FileExistsError if there is something at path.
    A bag that cannot be completed is removed.
    """
    path = Path(path)
    if storage not in _STORAGES:
        raise ValueError(f'storage: found {storage!r}, expected one of {", ".join(_STORAGES)}')
    if path.exists():
        raise FileExistsError(f'{path}: exists already')
    rig = Rig(scenario, start_ns, seed, pictures)
    try:
        if ros1:
            with Ros1Writer(path) as writer:
                _write_ros1(rig, writer)
        else:
            with Ros2Writer(
                    path, version=_ROS2_BAG_VERSION, storage_plugin=_STORAGES[storage]) as writer:
                _write_ros2(rig, writer)
    except BaseException:
        # Also on Ctrl-C: half a bag would be taken for a whole one.
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
        raise
    truth = rig.truth()
    if scenario.route is not None:
        truth['path'] = rig.true_path()
    if truth_file is not None:
        Path(truth_file).write_text(json.dumps(truth) + '\n', encoding='utf-8')
    return truth


def _write_ros2(rig: Rig, writer: Ros2Writer) -> None:
    store = get_typestore(Stores.ROS2_JAZZY)
    connections = {
        topic: writer.add_connection(topic, kind, typestore=store)
        for topic, kind in rig.topics.items()}
    builder = MessageBuilder({name: store.types[name] for name in MESSAGE_TYPES}, _as_it_is)
    _write(rig, writer, connections, builder, store.serialize_cdr)


def _write_ros1(rig: Rig, writer: Ros1Writer) -> None:
    store = get_typestore(Stores.ROS1_NOETIC)
    connections = {
        topic: writer.add_connection(topic, kind, typestore=store)
        for topic, kind in rig.topics.items()}
    builder = MessageBuilder(
        {name: store.types[name] for name in MESSAGE_TYPES}, _as_it_is, ros1=True)
    _write(rig, writer, connections, builder, store.serialize_ros1)


def _write(
        rig: Rig, writer: Any, connections: dict[str, Any], builder: MessageBuilder,
        serialize: Callable[[Any, str], Any]) -> None:
    rng = np.random.default_rng([rig.seed, 0x10C])
    log_ns = 0
    for message in rig.messages():
        transport_s = TRANSPORT_LEAST_S + TRANSPORT_QUEUE_MEAN_S * rng.standard_exponential()
        log_ns = max(log_ns + 1, message.publish_ns + round(transport_s * 1e9))
        connection = connections[message.topic]
        writer.write(connection, log_ns, serialize(builder.build(message), connection.msgtype))


def _as_it_is(values: np.ndarray) -> np.ndarray:
    return values
