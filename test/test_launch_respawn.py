# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A node that dies is told and started again, on the real launch, for a robot with a namespace.

At the end everything is interrupted: all is over within two seconds, and the record is closed.
"""

import os
from pathlib import Path
import signal
import tempfile
import time
import unittest

import pytest

launch = pytest.importorskip('launch', reason='launch is not installed on this machine')
launch_ros = pytest.importorskip('launch_ros', reason='launch_ros is not installed here')
launch_testing = pytest.importorskip('launch_testing', reason='launch_testing is not installed')

from launch.actions import SetEnvironmentVariable  # noqa: E402, I100
import launch_testing.actions  # noqa: E402
import launch_testing.markers  # noqa: E402
from launched import included  # noqa: E402
import rclpy  # noqa: E402
from rclpy.parameter_client import AsyncParameterClient  # noqa: E402
from robot_mapping_qa.resources import share_file  # noqa: E402

DOMAIN = 126
BAG = Path(tempfile.mkdtemp()) / 'run'
END = {}


@pytest.mark.launch_test
@launch_testing.markers.keep_alive
def generate_test_description():
    """Start the rig, and the monitors of a robot with everything that a user may ask for."""
    os.environ['ROS_DOMAIN_ID'] = str(DOMAIN)
    return launch.LaunchDescription([
        SetEnvironmentVariable('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST'),
        included('rig.launch.py', scenario='healthy'),
        included('monitor.launch.py', streams=str(share_file('config/demo_streams.yaml')),
                 namespace='north', respawn='true', record=str(BAG), log_level='warn'),
        launch_testing.actions.ReadyToTest()])


def pid_of(node):
    """Return the process of a node that this process has started; None for none."""
    for folder in Path('/proc').glob('[0-9]*'):
        try:
            parent = int((folder / 'stat').read_text().rpartition(')')[2].split()[1])
            command = (folder / 'cmdline').read_bytes().split(b'\0')
        except OSError:
            continue
        if parent == os.getpid() and any(
                word.endswith(b'/robot_mapping_qa/' + node.encode()) for word in command):
            return int(folder.name)
    return None


class TestRunning(unittest.TestCase):
    """While everything runs."""

    def test_a_killed_monitor_holds_the_gate_until_it_runs_again(self, proc_output):
        """Kill the pose monitor as the kernel would, and wait."""
        from robot_mapping_qa.demo.watcher import GateWatcher
        context = rclpy.Context()
        rclpy.init(context=context, domain_id=DOMAIN)
        executor = rclpy.executors.SingleThreadedExecutor(context=context)
        watcher = GateWatcher(context, namespace='north')
        executor.add_node(watcher)

        def wait(condition, seconds):
            end = time.monotonic() + seconds
            while time.monotonic() < end and not condition():
                executor.spin_once(timeout_sec=0.05)
            return condition()
        try:
            self.assertTrue(wait(lambda: watcher.allowed, 60.0), watcher.status_text)
            # The record is asked for, so the gate needs it.
            answer = AsyncParameterClient(watcher, '/north/capture_gate').get_parameters(
                ['needs_recording'])
            self.assertTrue(wait(answer.done, 5.0))
            self.assertTrue(answer.result().values[0].bool_value)
            killed = pid_of('pose_monitor')
            os.kill(killed, signal.SIGKILL)
            self.assertTrue(wait(lambda: watcher.allowed is False, 5.0))
            self.assertTrue(wait(lambda: 'pose_monitor' in watcher.status_text, 5.0))
            self.assertTrue(wait(lambda: pid_of('pose_monitor') not in (None, killed), 10.0))
            self.assertTrue(wait(lambda: watcher.allowed, 30.0), watcher.status_text)
        finally:
            executor.shutdown(timeout_sec=1.0)
            watcher.destroy_node()
            rclpy.shutdown(context=context)
        END['asked'] = time.monotonic()


@launch_testing.post_shutdown_test()
class TestEnded(unittest.TestCase):
    """After launch has interrupted everything."""

    def test_all_is_over_within_two_seconds(self):
        """Fail where a node waits to be killed."""
        self.assertLess(time.monotonic() - END['asked'], 2.0)

    def test_every_node_but_the_killed_one_ends_with_status_0(self, proc_info):
        """Fail for any other exit status."""
        statuses = {info.process_name: info.returncode for info in proc_info}
        self.assertEqual(set(statuses.values()), {0}, statuses)

    def test_the_record_is_closed(self):
        """Read the bag as anyone would."""
        from rosbags.rosbag2 import Reader
        with Reader(BAG) as reader:
            self.assertGreater(reader.message_count, 100)
            topics = {connection.topic for connection in reader.connections}
        self.assertIn('/north/mapping_qa/capture_allowed', topics)
