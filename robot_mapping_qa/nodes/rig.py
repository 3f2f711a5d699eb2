# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that plays the simulated inspection robot, publishing at the true times."""

from __future__ import annotations

import array
from collections import deque
import importlib
import json
import os
import sys
import threading
import time
from typing import Any

import numpy as np
from rclpy.node import Node
from rclpy.qos import QoSProfile, ReliabilityPolicy
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.configuration.validation import NODE_PARAMETERS
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.running import NodeDone, run_node
from robot_mapping_qa.rig import load_scenario, Message, Rig, ScenarioError
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder

SMALL_QOS = QoSProfile(depth=50, reliability=ReliabilityPolicy.RELIABLE)
# A late picture is worth less than the next one: no resending of what is large.
LARGE_QOS = QoSProfile(depth=5, reliability=ReliabilityPolicy.BEST_EFFORT)
LARGE_TYPES = ('sensor_msgs/msg/Image', 'sensor_msgs/msg/PointCloud2')

AHEAD = 64
"""Messages are computed this far ahead, so that a costly one delays no other."""

PAUSE_NS = 2_500_000
"""Computing begins only where the next message is due no sooner than this."""

LATE_NS = 2_000_000
"""A message later than this is counted as late."""

LONGEST_START_DELAY_S = 3600.0

PARAMETERS = ('scenario', 'seed', 'start_delay_s', 'truth_file')


class RigNode(Node):
    """
    Publishes a run of the rig from a thread of its own, and keeps the run's truth.

    Parameters: ``scenario`` (name of a packaged scenario, or path of a YAML file), ``seed``
    (unset: the scenario's own), ``start_delay_s`` (time for others to discover the topics),
    ``truth_file`` (path of a JSON file; empty: none).
    """

    def __init__(self) -> None:
        """Begin the run; raises `ConfigurationError` for a value that cannot be used."""
        super().__init__('rig', automatically_declare_parameters_from_overrides=True)
        try:
            self._refuse_unknown()
            own = OwnParameters(self, 'rig')
            self._rig = self._make_rig(own)
            self._declare('truth_file', '')
            self._truth_file = own.path('truth_file', 'a path')
            self._first_ns: dict[int, int] = {}
            self._lateness = Lateness()
            self._write_truth(with_path=True)
        except ScenarioError as error:
            raise ConfigurationError([str(error)], 'rig') from error

        types = {name: _message_class(name) for name in MESSAGE_TYPES}
        self._builder = MessageBuilder(types, _as_array)
        self._publisher_of = {
            topic: self.create_publisher(
                types[kind], topic, LARGE_QOS if kind in LARGE_TYPES else SMALL_QOS)
            for topic, kind in self._rig.topics.items()}
        scenario = self._rig.scenario
        self.get_logger().info(
            f'{scenario.name}: {scenario.duration_s:g} s, seed {self._rig.seed}, '
            f'{len(scenario.faults)} faults')

        self._stop = threading.Event()
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name='publishing')
        self._thread.start()
        self.create_timer(0.1, self._end_with_the_scenario)

    def close(self) -> None:
        """Stop publishing and write the truth for the last time."""
        self._stop.set()
        self._thread.join()
        if self._error is None:
            self._write_truth(with_path=True)
        self.get_logger().info(str(self._lateness))

    def _refuse_unknown(self) -> None:
        for name in self.get_parameters_by_prefix(''):
            if name not in PARAMETERS and name.partition('.')[0] not in NODE_PARAMETERS:
                raise ScenarioError(
                    f'{name}: unknown parameter, expected one of {", ".join(PARAMETERS)}')

    def _declare(self, name: str, default: Any) -> None:
        if not self.has_parameter(name):
            self.declare_parameter(name, default)

    def _make_rig(self, own: OwnParameters) -> Rig:
        self._declare('scenario', 'demo')
        scenario = load_scenario(
            os.path.expanduser(own.get('scenario', str, 'a name or a path')))
        self._declare('seed', scenario.seed)
        seed = own.get('seed', int, 'a whole number of 0 or more', lambda value: value >= 0)
        self._declare('start_delay_s', 1.0)
        delay_s = own.get(
            'start_delay_s', (int, float), f'a number of seconds, 0 to {LONGEST_START_DELAY_S:g}',
            lambda value: 0.0 <= value <= LONGEST_START_DELAY_S)
        return Rig(scenario, time.time_ns() + round(delay_s * 1e9), seed)

    def _end_with_the_scenario(self) -> None:
        if self._error is not None:
            raise self._error
        if not self._thread.is_alive():
            raise NodeDone

    def _run(self) -> None:
        try:
            self._publish_all()
        except Exception as error:
            # Kept for the main thread, which ends the process with it.
            self._error = error

    def _publish_all(self) -> None:
        source = self._rig.messages()
        ready: deque[tuple[Message, Any]] = deque()
        more = True
        while True:
            while more and len(ready) < AHEAD and (
                    not ready or ready[0][0].publish_ns - time.time_ns() > PAUSE_NS):
                message = next(source, None)
                if message is None:
                    more = False
                else:
                    ready.append((message, self._builder.build(message)))
            if not ready:
                return
            message, ros_message = ready.popleft()
            wait_s = max(message.publish_ns - time.time_ns(), 0) * 1e-9
            if self._stop.wait(wait_s):
                return
            now_ns = time.time_ns()
            self._publisher_of[message.topic].publish(ros_message)
            self._lateness.add(now_ns - message.publish_ns)
            self._note_faults(message, now_ns)

    def _note_faults(self, message: Message, now_ns: int) -> None:
        """Keep when each fault first showed: in a message, or in one that did not come."""
        for index, fault in enumerate(self._rig.scenario.faults):
            if index in self._first_ns:
                continue
            due_ns = self._rig.first_message_ns(index)
            if index in message.faults:
                self._first_ns[index] = now_ns
            elif due_ns is not None and due_ns < now_ns:
                self._first_ns[index] = due_ns
            else:
                continue
            self.get_logger().info(f'fault: {fault.kind} on {fault.sensor}')
            self._write_truth()

    def _write_truth(self, with_path: bool = False) -> None:
        """
        Write the truth as far as it has happened; readers never see half a file.

        The true path on a route takes too long to write while messages are due: it is in the file
        at the start and at the end only.
        """
        if self._truth_file is None:
            return
        truth = self._rig.truth()
        if with_path and self._rig.scenario.route is not None:
            truth['path'] = self._rig.true_path()
        for index, fault in enumerate(truth['faults']):
            fault['first_message_ns'] = self._first_ns.get(index)
        truth['live'] = self._lateness.figures()
        part = self._truth_file.with_name(self._truth_file.name + '.part')
        try:
            part.write_text(json.dumps(truth, indent=1) + '\n', encoding='utf-8')
            os.replace(part, self._truth_file)
        except OSError as error:
            raise ConfigurationError(
                [f'truth_file: {self._truth_file} cannot be written: {error.strerror}'],
                'rig') from error


class Lateness:
    """How much later than due the messages were published."""

    def __init__(self) -> None:
        """Start without any message."""
        self._count = self._late = self._sum_ns = self._longest_ns = 0

    def add(self, late_ns: int) -> None:
        """Take one message's lateness."""
        self._count += 1
        self._sum_ns += late_ns
        self._longest_ns = max(self._longest_ns, late_ns)
        if late_ns > LATE_NS:
            self._late += 1

    def figures(self) -> dict[str, float | None]:
        """Return the figures for the truth file; times are None before the first message."""
        known = self._count > 0
        return {
            'published': self._count, 'late_over_2_ms': self._late,
            'late_mean_s': self._sum_ns / self._count * 1e-9 if known else None,
            'late_max_s': self._longest_ns * 1e-9 if known else None}

    def __str__(self) -> str:
        """Return the figures for a person."""
        if self._count == 0:
            return 'no message published'
        return (
            f'{self._count} messages published, {self._sum_ns / self._count * 1e-6:.2f} ms late '
            f'on average, {self._longest_ns * 1e-6:.1f} ms at most, '
            f'{self._late} later than 2 ms')


def _message_class(name: str) -> Any:
    package, _, kind = name.split('/')
    return getattr(importlib.import_module(f'{package}.msg'), kind)


def _as_array(values: np.ndarray) -> array.array:
    # rclpy copies an array in one go, and any other sequence element by element.
    copy = array.array(values.dtype.char)
    copy.frombytes(values.view(np.uint8).data)
    return copy


def main() -> int:
    """Play the robot until the scenario ends or the node is interrupted."""
    return run_node(RigNode)


if __name__ == '__main__':
    sys.exit(main())
