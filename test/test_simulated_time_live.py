# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Simulated time that starts again, as when a simulation is reset or a bag is looped."""

from types import SimpleNamespace

from live_site import MONITORS, Site
import pytest
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 114
RATE_HZ = 50.0
PARAMETERS = {
    'use_sim_time': True,
    'streams': ['unit_odometry'],
    'unit_odometry': {'topic': '/unit/odometry', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose',
                      'rate_hz': RATE_HZ},
    'timing': {'settle_s': 1.0},
    'gate': {'off_delay_s': 2.0},
}


class Simulation:
    """Publishes /clock and the unit's odometry of a robot that drives straight on."""

    def __init__(self, context, start_s):
        from nav_msgs.msg import Odometry
        from rclpy.node import Node
        from rosgraph_msgs.msg import Clock
        self.node = Node('simulation', context=context)
        self._clock = self.node.create_publisher(Clock, '/clock', 10)
        self._odometry = self.node.create_publisher(Odometry, '/unit/odometry', 50)
        self._clock_type = Clock
        self._message = Odometry()
        self._message.header.frame_id, self._message.child_frame_id = 'map', 'unit'
        self._message.pose.pose.orientation.w = 1.0
        self._message.twist.twist.linear.x = 0.5
        self.start_ns = round(start_s * 1e9)
        self.steps = 0
        self.node.create_timer(1.0 / RATE_HZ, self._step)

    def restart(self):
        self.steps = 0

    def _step(self):
        self.steps += 1
        seconds = self.steps / RATE_HZ
        now_ns = self.start_ns + round(seconds * 1e9)
        clock = self._clock_type()
        clock.clock.sec, clock.clock.nanosec = divmod(now_ns, 10 ** 9)
        self._clock.publish(clock)
        message = self._message
        message.header.stamp = clock.clock
        message.pose.pose.position.x = 0.5 * seconds
        covariance = [0.0] * 36
        for place in range(6):
            covariance[7 * place] = 1e-6 * (1.0 + seconds)
        message.pose.covariance = covariance
        self._odometry.publish(message)


@pytest.fixture
def simulation(tmp_path, monkeypatch):
    """Return a simulation with the nodes running on its time."""
    from diagnostic_msgs.msg import DiagnosticArray
    from robot_mapping_qa.demo.watcher import GateWatcher
    file = tmp_path / 'streams.yaml'
    file.write_text(yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
    site = Site(tmp_path, monkeypatch, DOMAIN)
    try:
        simulation = Simulation(site.context, start_s=100.0)
        simulation.site = site
        site.watch(simulation.node)
        simulation.watcher = site.watch(GateWatcher(site.context))
        simulation.events = []
        simulation.watcher.create_subscription(
            DiagnosticArray, 'mapping_qa/events',
            lambda message: simulation.events.extend(s.name for s in message.status), 100)
        for node in MONITORS:
            site.nodes.start(node, parameter_files=(file,))
        yield simulation
    finally:
        statuses = site.close()
    assert set(statuses.values()) == {0}


def test_a_restart_of_simulated_time_holds_is_told_and_passes(simulation):
    site, watcher = simulation.site, simulation.watcher
    assert site.wait(lambda: watcher.allowed is True, 40.0) is not None, watcher.status_text
    assert 'time_restarted' not in simulation.events
    # Let some time pass, so that the restart goes back by more than the monitors tolerate.
    site.spin(3.0)
    simulation.restart()
    assert site.wait(lambda: watcher.allowed is False, 5.0) is not None
    assert site.wait(lambda: 'time_restarted' in simulation.events, 5.0) is not None
    assert site.wait(lambda: watcher.allowed is True, 20.0) is not None, watcher.status_text
    assert simulation.steps / RATE_HZ >= 2.0


def test_messages_from_before_the_first_clock_are_not_handed_over():
    from robot_mapping_qa.nodes.base import QualityNode
    taken, now_ns = [], 0
    node = SimpleNamespace(simulated_time=True, now_ns=lambda: now_ns)
    received = QualityNode._timed(node, lambda *given: taken.append(given))
    received(b'early', {'received_timestamp': 7, 'source_timestamp': 6})
    now_ns = 5
    received(b'in time', {'received_timestamp': 9, 'source_timestamp': 8})
    assert taken == [(b'in time', 5, None, 5)]
