# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Changing the gate's settings while it runs, holding it by hand, and what its lamp shows."""

import signal
import time

from live_site import Site
import pytest
from robot_mapping_qa.resources import share_file

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 140


class GateSite(Site):
    """A gate alone in its process, and a node that speaks to it as its monitors would."""

    def __init__(self, folder, monkeypatch):
        from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
        from rcl_interfaces.srv import DescribeParameters, SetParameters
        from rclpy.node import Node
        from robot_mapping_qa.messages.topics import (
            EVENTS, GATE, HOLD_SERVICE, LIGHT, POSE_VERDICT, TIMING_VERDICT)
        from robot_mapping_qa.nodes.qos import EVENT_QOS, LATCHED_QOS, VERDICT_QOS
        from std_msgs.msg import ColorRGBA
        from std_srvs.srv import SetBool
        super().__init__(folder, monkeypatch, DOMAIN)
        self.node = self.watch(Node('around', context=self.context))
        self.events, self.lights, self.status = [], [], None
        self.error_m = 0.01
        subscribe = self.node.create_subscription
        subscribe(DiagnosticArray, EVENTS.name,
                  lambda message: self.events.extend(message.status), EVENT_QOS)
        subscribe(ColorRGBA, LIGHT.name, lambda m: self.lights.append(
            (time.monotonic(), (m.r, m.g, m.b))), LATCHED_QOS)
        subscribe(DiagnosticStatus, GATE.name, self._take, LATCHED_QOS)
        self._verdicts = {
            'pose': self.node.create_publisher(DiagnosticArray, POSE_VERDICT.name, VERDICT_QOS),
            'timing': self.node.create_publisher(
                DiagnosticArray, TIMING_VERDICT.name, VERDICT_QOS)}
        self.node.create_timer(0.05, self._speak)
        self._set = self.node.create_client(SetParameters, '/capture_gate/set_parameters')
        self._describe = self.node.create_client(
            DescribeParameters, '/capture_gate/describe_parameters')
        self._hold = self.node.create_client(SetBool, HOLD_SERVICE)
        self._start()

    def _start(self):
        self.nodes.start('capture_gate',
                         parameter_files=(share_file('config/demo_streams.yaml'),))

    def restart(self):
        gate = self.nodes.process('capture_gate')
        gate.send_signal(signal.SIGINT)
        assert gate.wait(5.0) == 0
        self.status = None
        self._start()

    def _take(self, status):
        self.status = status

    def _speak(self):
        from robot_mapping_qa.messages.factory import RclpyFactory
        from robot_mapping_qa.messages.verdict_message import verdict_to_message
        from robot_mapping_qa.verdicts import Verdict
        for source, publisher in self._verdicts.items():
            figures = {'point_error_m': self.error_m} if source == 'pose' else {}
            publisher.publish(verdict_to_message(
                RclpyFactory(), Verdict(source, time.time_ns(), (), figures)))

    def call(self, client, request):
        assert self.wait(client.service_is_ready, 10.0) is not None
        future = client.call_async(request)
        assert self.wait(future.done, 5.0) is not None
        return future.result()

    def set(self, name, value):
        """Set a parameter as `ros2 param set` does."""
        from rcl_interfaces.srv import SetParameters
        from rclpy.parameter import Parameter
        return self.call(self._set, SetParameters.Request(
            parameters=[Parameter(name, value=value).to_parameter_msg()])).results[0]

    def describe(self, name):
        from rcl_interfaces.srv import DescribeParameters
        return self.call(
            self._describe, DescribeParameters.Request(names=[name])).descriptors[0]

    def hold(self, held):
        from std_srvs.srv import SetBool
        return self.call(self._hold, SetBool.Request(data=held))

    def says(self, text, seconds=10.0):
        return self.wait(
            lambda: self.status is not None and self.status.message.startswith(text),
            seconds) is not None

    def lamp(self, seconds):
        """Return the colours shown during some time, in order."""
        self.spin(0.1)
        self.lights.clear()
        self.spin(seconds)
        return [colour for _, colour in self.lights]


@pytest.fixture
def site(tmp_path, monkeypatch):
    site = GateSite(tmp_path, monkeypatch)
    try:
        yield site
    finally:
        statuses = site.close()
    assert statuses == {'capture_gate': 0}, site.nodes.log('capture_gate')


def test_settings_change_while_running_and_nonsense_is_refused(site):
    green, yellow, blue = (0.0, 1.0, 0.0), (1.0, 0.75, 0.0), (0.0, 0.0, 1.0)
    assert site.says('open', 30.0), site.nodes.log('capture_gate')
    assert set(site.lamp(1.5)) == {green}

    described = site.describe('gate.off_delay_s')
    assert described.floating_point_range[0].from_value == 0.0
    assert described.floating_point_range[0].to_value == 600.0
    assert 'must be healthy before the gate opens' in described.description

    for name, value, why in (
            ('gate.off_delay_s', -1.0, 'out of range'),
            ('gate.off_delay_s', float('nan'), 'out of range'),
            ('gate.off_delay_s', 'long', "found the text 'long', expected a number from 0 to 600"),
            ('gate.off_delay_s', 700, 'found 700, expected a number from 0 to 600'),
            ('gate.of_delay_s', 1.0, 'capture_gate has no such parameter'),
            ('timing.silence_s', 1.0, 'is read at the start only'),
            ('working_distance_m', 5.0, 'is read at the start only'),
            ('use_sim_time', True, 'is read at the start only')):
        refused = site.set(name, value)
        assert not refused.successful and why in refused.reason, refused
    assert not [event for event in site.events if event.name == 'parameter_changed']

    # A limit below the present error closes the gate, the former one opens it again.
    assert site.set('point_error_limit_m', 0.005).successful
    assert site.says('held: a point on the structure is only known to 0.010 m')
    changed, = (event for event in site.events if event.name == 'parameter_changed')
    assert changed.message == 'point_error_limit_m changed from 0.05 to 0.005'
    assert site.lamp(1.0) in ([yellow], [yellow, yellow])
    assert site.set('gate.off_delay_s', 0).successful
    assert site.set('point_error_limit_m', 0.05).successful
    assert site.says('open', 1.5)

    assert site.set('hold_reason', 'scaffold in view').successful
    assert site.hold(True).message == 'held: held by hand: scaffold in view'
    assert set(site.lamp(1.0)) == {blue}
    site.restart()
    assert site.says('held: held by hand: scaffold in view, since before this start', 30.0)
    site.spin(3.0)
    assert site.says('held: held by hand')
    site.hold(False)
    assert site.says('open', 4.0)
    site.restart()
    assert site.says('open', 30.0)
    assert site.set('gate.off_delay_s', 0).successful

    # An error that grows towards its limit: flashing yellow, twice a second.
    for step in range(110):
        site.error_m = 0.02 + 0.0002 * step
        site.spin(0.05)
    assert 'open, limit of 0.050 m in about' in site.status.message
    assert 'limit_near' in [event.name for event in site.events]
    shown = site.lights[-8:]
    assert {colour for _, colour in shown} == {yellow, (0.0, 0.0, 0.0)}
    assert all(one[1] != other[1] for one, other in zip(shown, shown[1:]))
    period_s = 2.0 * (shown[-1][0] - shown[0][0]) / 7.0
    assert 0.4 < period_s < 0.6
