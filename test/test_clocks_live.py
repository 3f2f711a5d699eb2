# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The three ways to a clock offset, live: rig, time server and `sync_monitor` over DDS."""

from live_site import Site
import pytest
from robot_mapping_qa.configuration import read_parameters
from robot_mapping_qa.resources import share_file
from time_daemons import reply_to, ScriptedServer
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 112
SERVER_OFFSET_S = 0.25


def off_server(request, received_ns):
    """Answer as a server whose clock is ahead of this host's."""
    at_ns = received_ns + round(SERVER_OFFSET_S * 1e9)
    return [reply_to(request, at_ns, at_ns)]


class Diagnostics:
    """Keeps the newest status of each name, and the newest clock_offset of each stream."""

    def __init__(self, context):
        from diagnostic_msgs.msg import DiagnosticArray
        from rclpy.node import Node
        from sensor_msgs.msg import TimeReference
        self.node = Node('reader', context=context)
        self.node.create_subscription(DiagnosticArray, '/diagnostics', self._take, 50)
        self.node.create_subscription(
            TimeReference, 'mapping_qa/clock_offset', self._take_offset, 50)
        self.statuses = {}
        self.offsets_s = {}

    def _take(self, message):
        for status in message.status:
            self.statuses[status.name.removeprefix('robot_mapping_qa: ')] = status

    def _take_offset(self, message):
        host, stream = message.header.stamp, message.time_ref
        self.offsets_s[message.source] = (
            stream.sec - host.sec + (stream.nanosec - host.nanosec) * 1e-9)

    def number(self, name, key):
        """Return a value of a status as a number, None where there is none yet."""
        status = self.statuses.get(name)
        text = next((v.value for v in status.values if v.key == key), '') if status else ''
        return float(text) if text else None


@pytest.fixture
def diagnostics(tmp_path, monkeypatch):
    """Return the diagnostics of a `sync_monitor` that polls a server off by 250 ms."""
    with ScriptedServer(off_server) as server:
        parameters = read_parameters(share_file('config/demo_streams.yaml'))
        parameters['unit_odometry.time_server'] = server.address
        file = tmp_path / 'streams.yaml'
        file.write_text(yaml.safe_dump({'/**': {'ros__parameters': parameters}}))
        site = Site(tmp_path, monkeypatch, DOMAIN)
        try:
            found = Diagnostics(site.context)
            site.watch(found.node)
            found.site = site
            site.nodes.start('sync_monitor', parameter_files=(file,))
            site.nodes.start('rig', 'scenario:=healthy')
            yield found
        finally:
            statuses = site.close()
    assert statuses['sync_monitor'] == 0, site.nodes.log('sync_monitor')


def test_offsets_by_one_way_two_way_and_motion_stand_side_by_side(diagnostics):
    site, number = diagnostics.site, diagnostics.number
    assert site.wait(lambda: number('clocks body_imu', 'motion_s') is not None, 60.0) is not None
    site.spin(2.0)

    # Two-way: the server's clock is 250 ms ahead of the host, within the bound it gives.
    offset_s, bound_s = (number('time server', key) for key in ('offset_s', 'bound_s'))
    assert abs(offset_s - SERVER_OFFSET_S) <= bound_s < 0.02

    # Motion: the rig's odometry clock is 1.2 ms behind the host's, the IMU's is right.
    assert number('clocks body_imu', 'motion_s') == pytest.approx(0.0012, abs=0.002)

    # The unit stamps by a clock that is not the server's: that must be seen and put into words.
    unit = diagnostics.statuses['clocks unit_odometry']
    assert unit.level == b'\x01' and 'the clock is not disciplined' in unit.message

    # One-way, per stream: the rig's offset less the smallest delay, each with its sentence.
    for name, offset_s, smallest_delay_s in (
            ('unit_odometry', -0.0012, 0.006), ('front_camera', 0.004, 0.018),
            ('roof_lidar', 0.0007, 0.035)):
        found_s = diagnostics.offsets_s[name]
        assert offset_s - smallest_delay_s - 0.02 < found_s < offset_s - smallest_delay_s + 0.001
        assert 'smallest delay included' in diagnostics.statuses[f'stream {name}'].message
    assert 'mm on the structure' in diagnostics.statuses['stream front_camera'].message

    # The host's clock and the sets are told as well.
    assert 'host clock' in diagnostics.statuses['host'].message
    assert number('sets', 'yield_fraction') > 0.8
