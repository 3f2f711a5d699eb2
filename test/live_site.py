# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A rig and nodes as processes over DDS, watched from the test's own process."""

import time

from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses

MONITORS = ('sync_monitor', 'pose_monitor', 'capture_gate')


class Site:
    """Processes in a DDS domain of their own, and an executor for the test's subscriptions."""

    def __init__(self, folder, monkeypatch, domain):
        """Bring up the middleware in this process; nothing else is started yet."""
        import rclpy
        from rclpy.executors import SingleThreadedExecutor
        environment = dds_environment(domain)
        for key, value in environment.items():
            if key.startswith(('ROS_', 'FAST')):
                monkeypatch.setenv(key, value)
        monkeypatch.setenv('ROS_HOME', str(folder))
        self.nodes = NodeProcesses(folder, environment)
        self.context = rclpy.Context()
        rclpy.init(context=self.context, domain_id=domain)
        self.executor = SingleThreadedExecutor(context=self.context)
        self._watching = []

    def watch(self, node):
        """Spin a node of the test with everything else."""
        self.executor.add_node(node)
        self._watching.append(node)
        return node

    def wait(self, condition, seconds):
        """Spin until a condition holds; return after how long, None where it never did."""
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            if condition():
                return time.monotonic() - start
            self.executor.spin_once(timeout_sec=0.02)
        return None

    def spin(self, seconds):
        """Let time pass."""
        self.wait(lambda: False, seconds)

    def close(self):
        """End every process; return the exit statuses."""
        import rclpy
        statuses = self.nodes.stop()
        self.executor.shutdown(timeout_sec=1.0)
        for node in self._watching:
            node.destroy_node()
        rclpy.try_shutdown(context=self.context)
        return statuses
