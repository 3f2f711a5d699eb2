# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Time from an odometry message that breaks the limit to the gate's word in another process."""

import gc
from pathlib import Path
import tempfile
import time

import numpy as np
from robot_mapping_qa.configuration import read_parameters
from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
from robot_mapping_qa.resources import share_file
import yaml

DOMAIN = 122
TRIALS = 500
RATE_HZ = 100.0
SPACING_S = 0.15
"""Between a recovery and the next breach; longer than every delay that is measured."""

GOOD_M2, BAD_M2 = 1e-6, 1.0


class Probe:
    """Publishes odometry and times the gate's answers."""

    def __init__(self, context):
        """Start publishing a good pose at 100 Hz."""
        from nav_msgs.msg import Odometry
        from rclpy.node import Node
        from robot_mapping_qa.messages.factory import message_class
        from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED
        from robot_mapping_qa.nodes.qos import GATE_QOS
        self.node = Node('probe', context=context)
        self._publisher = self.node.create_publisher(Odometry, '/unit/odometry', 50)
        self._message = Odometry()
        self._message.header.frame_id, self._message.child_frame_id = 'map', 'unit'
        self._message.pose.pose.orientation.w = 1.0
        self.variance_m2 = GOOD_M2
        self.breach_ns = None
        self.delays_s = []
        self.allowed = None
        self._count = 0
        self.node.create_timer(1.0 / RATE_HZ, self._publish)
        self.node.create_subscription(
            message_class(CAPTURE_ALLOWED.type), CAPTURE_ALLOWED.name, self._take, GATE_QOS)

    def _publish(self):
        now_ns = time.time_ns()
        stamp = self._message.header.stamp
        stamp.sec, stamp.nanosec = divmod(now_ns, 10 ** 9)
        self._count += 1
        # A covariance that never changes counts as a placeholder.
        self._message.pose.covariance = np.diag(
            [self.variance_m2 * (1.0 + 1e-6 * self._count)] * 3 + [1e-9] * 3).ravel()
        if self.variance_m2 == BAD_M2 and self.breach_ns is None:
            self.breach_ns = time.time_ns()
        self._publisher.publish(self._message)

    def _take(self, message):
        now_ns = time.time_ns()
        self.allowed = message.data
        if not message.data and self.breach_ns is not None and self.variance_m2 == BAD_M2:
            self.delays_s.append((now_ns - self.breach_ns) * 1e-9)
            self.variance_m2 = GOOD_M2


WAYS = {'three processes': ('sync_monitor', 'pose_monitor', 'capture_gate'),
        'one process': ('monitor',)}


def run(trials=TRIALS):
    """Measure with the nodes apart, and in one process."""
    rows = []
    for way, names in WAYS.items():
        delays_ms = measure(names, trials)
        rows += [
            (f'odometry over the limit to gate closed, {way}, p50',
             np.percentile(delays_ms, 50), 'ms', None),
            (f'odometry over the limit to gate closed, {way}, p99',
             np.percentile(delays_ms, 99), 'ms', 10.0)]
    return rows


def measure(names, trials):
    """Breach the limit again and again with on-delay and off-delay at zero; return ms (n,)."""
    import os
    parameters = read_parameters(share_file('config/demo_streams.yaml'))
    parameters = {key: value for key, value in parameters.items()
                  if key.startswith(('unit_odometry', 'working', 'point'))}
    parameters.update({'streams': ['unit_odometry'], 'gate.on_delay_s': 0.0,
                       'gate.off_delay_s': 0.0})
    environment = dds_environment(DOMAIN)
    os.environ.update({k: v for k, v in environment.items() if k.startswith(('ROS_', 'FAST'))})
    import rclpy
    from rclpy.executors import SingleThreadedExecutor
    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    executor = SingleThreadedExecutor(context=context)
    probe = Probe(context)
    executor.add_node(probe.node)
    try:
        with tempfile.TemporaryDirectory() as folder, \
                NodeProcesses(Path(folder), environment) as nodes:
            file = Path(folder) / 'streams.yaml'
            file.write_text(yaml.safe_dump({'/**': {'ros__parameters': parameters}}))
            for node in names:
                nodes.start(node, parameter_files=(file,))
            deadline = time.monotonic() + 30.0 + trials * 4 * SPACING_S
            next_s = None
            # A look of the garbage collector through all imports is no delay of the gate's.
            gc.freeze()
            while len(probe.delays_s) < trials and time.monotonic() < deadline:
                executor.spin_once(timeout_sec=0.01)
                now_s = time.monotonic()
                if not probe.allowed or probe.variance_m2 == BAD_M2:
                    next_s = None
                elif next_s is None:
                    next_s = now_s + SPACING_S
                elif now_s >= next_s:
                    probe.breach_ns, probe.variance_m2 = None, BAD_M2
    finally:
        executor.shutdown(timeout_sec=1.0)
        probe.node.destroy_node()
        rclpy.shutdown(context=context)
    delays_ms = 1e3 * np.array(probe.delays_s)
    if len(delays_ms) < trials:
        raise RuntimeError(f'only {len(delays_ms)} of {trials} trials came to an end')
    return delays_ms
