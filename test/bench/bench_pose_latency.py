# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Time from an odometry message over the limit to the pose monitor's verdict, under full load.

Odometry at 100 Hz, IMU at 200 Hz, two clouds of 65,536 points at 10 Hz, and two cameras of
1280 x 720 pixels at 15 Hz for the camera monitor, which shares the one core with the pose monitor.
"""

import os
from pathlib import Path
import subprocess
import sys
import tempfile
import time

import numpy as np
from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
import yaml

DOMAIN = 123
BREACHES = 200
RATE_HZ = 100.0
START_S = 8.0
SPACING_S = 0.2
GOOD_M2, BAD_M2 = 1e-6, 1.0
STREAMS = {
    'unit': {'topic': '/unit', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose', 'rate_hz': 100.0},
    'imu': {'topic': '/imu', 'type': 'sensor_msgs/msg/Imu', 'role': 'motion', 'rate_hz': 200.0},
    **{f'lidar_{number}': {'topic': f'/lidar_{number}', 'type': 'sensor_msgs/msg/PointCloud2',
                           'role': 'geometry', 'rate_hz': 10.0} for number in (1, 2)},
    **{f'camera_{number}': {'topic': f'/camera_{number}', 'type': 'sensor_msgs/msg/Image',
                            'role': 'aid', 'rate_hz': 15.0} for number in (1, 2)}}


class Probe:
    """Publishes odometry that walks, and times the verdicts that answer a breach."""

    def __init__(self, context):
        """Start publishing."""
        from nav_msgs.msg import Odometry
        from rclpy.node import Node
        from robot_mapping_qa.messages.factory import message_class
        from robot_mapping_qa.messages.topics import POSE_VERDICT
        from robot_mapping_qa.messages.verdict_message import verdict_from_message
        from robot_mapping_qa.nodes.qos import VERDICT_QOS
        self.node = Node('probe', context=context)
        self._publisher = self.node.create_publisher(Odometry, '/unit', 50)
        self._message = Odometry()
        self._message.header.frame_id, self._message.child_frame_id = 'map', 'unit'
        self._message.pose.pose.orientation.w = 1.0
        self._message.twist.twist.linear.x = 0.7
        self._verdict = verdict_from_message
        self.delays_ms = []
        self._breach_ns = None
        self._count = 0
        self.node.create_timer(1.0 / RATE_HZ, self._publish)
        self.node.create_subscription(
            message_class(POSE_VERDICT.type), POSE_VERDICT.name, self._take, VERDICT_QOS)

    def breach(self):
        """Report a covariance over the limit with the next odometry message."""
        self._breach_ns = 0

    def _publish(self):
        stamp, message = self._message.header.stamp, self._message
        message.pose.pose.position.x += 0.7 / RATE_HZ
        self._count += 1
        variance_m2 = GOOD_M2 if self._breach_ns is None else BAD_M2
        # A covariance that never changes counts as a placeholder.
        message.pose.covariance = np.diag(
            [variance_m2 * (1.0 + 1e-6 * self._count)] * 3 + [1e-9] * 3).ravel()
        now_ns = time.time_ns()
        stamp.sec, stamp.nanosec = divmod(now_ns, 10 ** 9)
        if self._breach_ns == 0:
            self._breach_ns = now_ns
        self._publisher.publish(message)

    def _take(self, message, info):
        error_m = self._verdict(message).figures['point_error_m']
        if self._breach_ns and error_m is not None and error_m > 0.05:
            # When it reached this process, not when it was the callback's turn.
            self.delays_ms.append((info['received_timestamp'] - self._breach_ns) * 1e-6)
            self._breach_ns = None


def run():
    """Breach the limit again and again."""
    environment = dds_environment(DOMAIN)
    os.environ.update({k: v for k, v in environment.items() if k.startswith(('ROS_', 'FAST'))})
    import rclpy
    from rclpy.executors import SingleThreadedExecutor
    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    executor = SingleThreadedExecutor(context=context)
    probe = Probe(context)
    executor.add_node(probe.node)
    load = None
    try:
        with tempfile.TemporaryDirectory() as folder, \
                NodeProcesses(Path(folder), environment) as nodes:
            file = Path(folder) / 'streams.yaml'
            file.write_text(yaml.safe_dump({'/**': {'ros__parameters': {
                'streams': list(STREAMS), **STREAMS, 'check_cameras': True,
                'working_distance_m': 3.0, 'point_error_limit_m': 0.05}}}))
            for node in ('pose_monitor', 'camera_monitor'):
                nodes.start(node, parameter_files=(file,))
                os.sched_setaffinity(nodes.process(node).pid, {0})
            load = subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name('sensor_load.py'))],
                env=environment)
            start_s = time.monotonic()
            next_s = start_s + START_S
            deadline_s = next_s + 3.0 * SPACING_S * BREACHES
            while len(probe.delays_ms) < BREACHES and time.monotonic() < deadline_s:
                executor.spin_once(timeout_sec=0.01)
                if time.monotonic() >= next_s:
                    next_s += SPACING_S
                    probe.breach()
            used_s = sum(_cpu_s(nodes.process(node)) for node in ('pose_monitor',))
            share = 100.0 * used_s / (time.monotonic() - start_s)
    finally:
        if load is not None:
            load.kill()
            load.wait()
        executor.shutdown(timeout_sec=1.0)
        probe.node.destroy_node()
        rclpy.try_shutdown(context=context)
    if not probe.delays_ms:
        raise RuntimeError('no verdict came: the pose monitor did not run')
    return [
        ('odometry over the limit to verdict, full load, p50',
         float(np.percentile(probe.delays_ms, 50)), 'ms', None),
        ('odometry over the limit to verdict, full load, p99',
         float(np.percentile(probe.delays_ms, 99)), 'ms', 20.0),
        ('verdicts measured', float(len(probe.delays_ms)), '', None),
        ('CPU of pose_monitor', share, '% of a core', None)]


def _cpu_s(process):
    fields = Path(f'/proc/{process.pid}/stat').read_text().rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')
