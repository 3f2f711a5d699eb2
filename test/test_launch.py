# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The launch files on the real launch: the nodes start, the gate opens, all end cleanly."""

import os
import time
import unittest

import pytest

launch = pytest.importorskip('launch', reason='launch is not installed on this machine')
launch_ros = pytest.importorskip('launch_ros', reason='launch_ros is not installed here')
launch_testing = pytest.importorskip('launch_testing', reason='launch_testing is not installed')

from launch.actions import SetEnvironmentVariable  # noqa: E402, I100
import launch_testing.actions  # noqa: E402
import launch_testing.asserts  # noqa: E402
import launch_testing.markers  # noqa: E402
from launched import included  # noqa: E402
import rclpy  # noqa: E402
from robot_mapping_qa.resources import share_file  # noqa: E402

DOMAIN = 125


@pytest.mark.launch_test
@launch_testing.markers.keep_alive
def generate_test_description():
    """Start the rig, and the monitors in one process, as a user would."""
    os.environ['ROS_DOMAIN_ID'] = str(DOMAIN)
    return launch.LaunchDescription([
        SetEnvironmentVariable('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST'),
        included('rig.launch.py', scenario='healthy'),
        included('monitor.launch.py', streams=str(share_file('config/demo_streams.yaml')),
                 profile='legged', composed='true'),
        launch_testing.actions.ReadyToTest()])


class TestRunning(unittest.TestCase):
    """While everything runs."""

    def test_the_gate_opens_and_diagnostics_flow(self):
        """Wait for both from outside the nodes."""
        from diagnostic_msgs.msg import DiagnosticArray
        from robot_mapping_qa.demo.watcher import GateWatcher
        context = rclpy.Context()
        rclpy.init(context=context, domain_id=DOMAIN)
        executor = rclpy.executors.SingleThreadedExecutor(context=context)
        watcher = GateWatcher(context)
        executor.add_node(watcher)
        names = set()
        watcher.create_subscription(
            DiagnosticArray, '/diagnostics',
            lambda message: names.update(status.name for status in message.status), 10)
        wanted = {f'robot_mapping_qa: {name}' for name in (
            'stream front_camera', 'pose unit_odometry', 'gate', 'host')}
        try:
            end = time.monotonic() + 60.0
            while time.monotonic() < end and not (watcher.allowed and wanted <= names):
                executor.spin_once(timeout_sec=0.1)
        finally:
            executor.shutdown(timeout_sec=1.0)
            watcher.destroy_node()
            rclpy.shutdown(context=context)
        self.assertTrue(watcher.allowed, watcher.status_text)
        self.assertLessEqual(wanted, names)


@launch_testing.post_shutdown_test()
class TestEnded(unittest.TestCase):
    """After launch has interrupted everything."""

    def test_every_node_ends_with_status_0(self, proc_info):
        """Fail for any other exit status, and for a node that had to be killed."""
        launch_testing.asserts.assertExitCodes(proc_info)
