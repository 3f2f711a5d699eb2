# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The README's table of faults, row by row, on running nodes over real DDS.

A robot in the test's own process sends; the monitors and the gate run as processes through all
rows. After each row everything must be as before: the gate open, every node alive.
"""

from array import array
from copy import deepcopy
import math
from pathlib import Path
import re
import signal
import subprocess
import sys

from live_site import MONITORS, Site
import pytest
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder
import yaml

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus  # noqa: E402, I100
from nav_msgs.msg import Odometry  # noqa: E402
from rclpy.node import Node  # noqa: E402
from rclpy.parameter import Parameter  # noqa: E402
from rclpy.parameter_client import AsyncParameterClient  # noqa: E402
from sensor_msgs.msg import CameraInfo, Imu, PointCloud2  # noqa: E402
from std_msgs.msg import Bool, Float64  # noqa: E402

DOMAIN = 152
NS = 10 ** 9
CROWD = str(Path(__file__).with_name('crowd.py'))
PARAMETERS = {
    'streams': ['unit', 'imu', 'camera', 'lidar'],
    'unit': {'topic': '/unit', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose', 'rate_hz': 50.0},
    'imu': {'topic': '/imu', 'type': 'sensor_msgs/msg/Imu', 'role': 'motion', 'rate_hz': 50.0},
    'camera': {'topic': '/image', 'timing_topic': '/camera_info', 'rate_hz': 20.0,
               'type': 'sensor_msgs/msg/Image', 'role': 'capture'},
    'lidar': {'topic': '/points', 'type': 'sensor_msgs/msg/PointCloud2', 'role': 'geometry',
              'rate_hz': 10.0},
    # Wider than by default: the computer that runs the tests may be busy.
    'timing': {'settle_s': 1.0, 'silence_s': 0.6, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.6, 'jump_hold_s': 0.5},
    'gate': {'off_delay_s': 0.5},
    'point_error_limit_m': 0.5,
}


def surroundings():
    """Return a cloud that holds the unit on every axis, as the rig's lidar sees it."""
    rig = Rig(load_scenario('healthy').only('roof_lidar'))
    classes = {name: message_class(name) for name in MESSAGE_TYPES}
    return MessageBuilder(classes, lambda values: array(
        values.dtype.char, values.tobytes())).build(next(iter(rig.messages())))


class Robot(Node):
    """Sends four healthy streams; ``spoil[topic]`` changes a message before it goes out."""

    def __init__(self, context):
        super().__init__('robot', context=context)
        self.mend = []
        self.heal()
        self.cloud = surroundings()
        self.started_ns = self.get_clock().now().nanoseconds
        self.publishers_of = {}
        for topic, kind, rate_hz, make in (
                ('/unit', Odometry, 50.0, self._odometry), ('/imu', Imu, 50.0, lambda _: Imu()),
                ('/camera_info', CameraInfo, 20.0, lambda _: CameraInfo()),
                ('/points', PointCloud2, 10.0, lambda _: self.cloud)):
            self.publishers_of[topic] = self.create_publisher(kind, topic, 50)
            self.create_timer(1.0 / rate_hz, lambda topic=topic, make=make: self.send(topic, make))

    def heal(self):
        """Send as at first."""
        self.spoil, self.silent, self.copies = {}, set(), {}
        while self.mend:
            self.mend.pop()()

    def send(self, topic, make):
        if topic in self.silent:
            return
        now = self.get_clock().now()
        message = make((now.nanoseconds - self.started_ns) / NS)
        if topic in self.spoil:
            message = deepcopy(message)
        message.header.stamp = now.to_msg()
        message.header.frame_id = message.header.frame_id or topic.strip('/')
        if topic in self.spoil:
            self.spoil[topic](message)
        for _ in range(self.copies.get(topic, 1)):
            self.publishers_of[topic].publish(message)

    def _odometry(self, seconds):
        message = Odometry(child_frame_id='base')
        message.header.frame_id = 'map'
        message.pose.pose.position.x = 0.2 * seconds
        message.pose.pose.orientation.w = 1.0
        message.twist.twist.linear.x = 0.2
        covariance = [0.0] * 36
        for place in range(6):
            covariance[7 * place] = 1e-6 * (1.0 + 1e-3 * seconds)
        message.pose.covariance = covariance
        return message


class Person(Node):
    """Reads what a person reads: the gate's word, its reasons, and the events."""

    def __init__(self, context):
        super().__init__('person', context=context)
        self.allowed, self.text = None, ''
        self.figures = {}
        self.forget()
        from robot_mapping_qa.nodes.qos import EVENT_QOS, GATE_QOS, LATCHED_QOS
        self.create_subscription(Bool, 'mapping_qa/capture_allowed', self._word, GATE_QOS)
        self.create_subscription(DiagnosticStatus, 'mapping_qa/gate', self._status, LATCHED_QOS)
        self.create_subscription(DiagnosticArray, 'mapping_qa/events', self._event, EVENT_QOS)
        self.create_subscription(DiagnosticArray, '/diagnostics', self._diagnostic, 50)

    def forget(self):
        self.reasons, self.events, self.before = {}, {}, {}

    def _word(self, message):
        self.allowed = message.data

    def _status(self, status):
        self.text = status.message
        for item in status.values:
            if item.key.startswith(('reason/', 'notice/')):
                self.reasons[item.key] = item.value

    def _diagnostic(self, message):
        for status in message.status:
            self.figures[status.name.partition(': ')[2]] = {
                item.key: item.value for item in status.values}

    def _event(self, message):
        self.events.update({status.name: status.message for status in message.status})


@pytest.fixture(scope='module')
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp('fault_table')
    file = folder / 'streams.yaml'
    file.write_text(yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
    with pytest.MonkeyPatch.context() as monkeypatch:
        site = Site(folder, monkeypatch, DOMAIN)
        try:
            site.file = file
            site.robot = site.watch(Robot(site.context))
            site.person = site.watch(Person(site.context))
            for node in MONITORS:
                site.nodes.start(node, parameter_files=(file,))
            assert opened(site, 120.0), site.person.text
            yield site
        finally:
            statuses = site.close()
    assert set(statuses.values()) == {0}, statuses
    for node in MONITORS:
        assert 'Traceback' not in site.nodes.log(node)


def set_stamp(message, stamp_ns):
    message.header.stamp.sec, message.header.stamp.nanosec = divmod(stamp_ns, NS)


def moved(seconds):
    """Return a spoiler that sets a stream's clock wrong."""
    def spoil(message):
        stamp = message.header.stamp
        set_stamp(message, stamp.sec * NS + stamp.nanosec + round(seconds * NS))
    return spoil


def field(path, value):
    """Return a spoiler that sets one field; a number at the end of the path is an index."""
    *parts, last = path.split('.')

    def spoil(message):
        for part in parts:
            message = getattr(message, part)
        if last.isdigit():
            message[int(last)] = value
        else:
            setattr(message, last, value)
    return spoil


def stamped(topic, change):
    return lambda site: site.robot.spoil.update({topic: change})


def dies(site):
    site.robot.silent.add('/unit')


def restarts_with_another_clock(site):
    robot = site.robot
    robot.destroy_publisher(robot.publishers_of['/camera_info'])
    robot.publishers_of['/camera_info'] = robot.create_publisher(CameraInfo, '/camera_info', 50)
    robot.spoil['/camera_info'] = moved(-0.23)


def every_message_twice(site):
    site.robot.copies['/camera_info'] = 2


def rate_halves(site):
    count = iter(range(10 ** 6))
    robot = site.robot
    publisher = robot.publishers_of['/camera_info']

    class Every2nd:
        def publish(self, message):
            if next(count) % 2:
                publisher.publish(message)
    robot.publishers_of['/camera_info'] = Every2nd()
    robot.mend.append(lambda: robot.publishers_of.update({'/camera_info': publisher}))


def burst_after_a_pause(site):
    robot = site.robot
    publisher, kept = robot.publishers_of['/points'], []

    class Keeping:
        def publish(self, message):
            kept.append(message)

    def deliver():
        for message in kept:
            publisher.publish(message)
        robot.publishers_of['/points'] = publisher
    robot.publishers_of['/points'] = Keeping()
    robot.mend.append(deliver)


def another_type(site):
    # Within one participant the middleware refuses a second type.
    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    stranger = Node('stranger', context=context)
    stranger.create_publisher(Float64, '/camera_info', 10).publish(Float64(data=1.0))

    def leave():
        stranger.destroy_node()
        rclpy.shutdown(context=context)
    site.robot.mend.append(leave)


def lying_sizes(site):
    site.robot.spoil['/points'] = field('width', 4_000_000)


def second_gate(site):
    from robot_mapping_qa.nodes.qos import GATE_QOS
    other = site.robot.create_publisher(Bool, 'mapping_qa/capture_allowed', GATE_QOS)
    site.robot.mend.append(lambda: site.robot.destroy_publisher(other))


def start(site, *command):
    """Run a Python process until the fault is over."""
    process = subprocess.Popen([sys.executable, *command], env=site.nodes.environment)

    def end():
        process.send_signal(signal.SIGINT)
        try:
            process.wait(5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    site.robot.mend.append(end)


def found_late(site):
    """Start a monitor while a source is not on the network."""
    robot = site.robot
    robot.silent.add('/points')
    robot.destroy_publisher(robot.publishers_of['/points'])

    def found():
        robot.publishers_of['/points'] = robot.create_publisher(PointCloud2, '/points', 50)
    robot.mend.append(found)
    site.nodes.process('sync_monitor').send_signal(signal.SIGINT)
    assert site.nodes.process('sync_monitor').wait(5.0) == 0
    site.nodes.start('sync_monitor', parameter_files=(site.file,))


def monitors_twice(site):
    for node in ('sync_monitor', 'pose_monitor'):
        start(site, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args', '--params-file',
              str(site.file))


def many_topics(site):
    start(site, CROWD, 'topics', '1000')
    known = site.person.get_topic_names_and_types
    assert site.wait(lambda: len(known()) > 1000, 20.0) is not None


def storm(site):
    start(site, CROWD, 'storm', '/imu', '20000', '10')


def nonsense(site):
    for node, name, value in (
            ('capture_gate', 'point_error_limit_m', NAN), ('capture_gate', 'gate.off_delay_s', ''),
            ('sync_monitor', 'timing.silence_s', -1.0), ('pose_monitor', 'streams', 'none'),
            ('pose_monitor', 'no_such_thing', True)):
        client = AsyncParameterClient(site.person, node)
        assert site.wait(client.services_are_ready, 5.0) is not None
        answer = client.set_parameters([Parameter(name, value=value)])
        assert site.wait(answer.done, 5.0) is not None
        result, = answer.result().results
        assert not result.successful and result.reason, (node, name)


def counts(figure):
    """Return whether the camera's status on /diagnostics counts more of something than before."""
    def more(person):
        now = int(person.figures.get('stream camera', {}).get(figure) or 0)
        return now > person.before.setdefault(figure, now)
    return more


NAN = math.nan
HELD = [
    ('a source falls silent, then comes back', dies, 'unit/silent', r'unit silent for [\d.]+ s'),
    ('a source restarts with another clock', restarts_with_another_clock, 'camera/clock_moved',
     r'camera clock stepped by -2\d\d\.\d ms .* has not come back'),
    ('stamps are zero', stamped('/camera_info', lambda message: set_stamp(message, 0)),
     'camera/unstamped', r'camera: messages carry no time stamp \(it is zero\)'),
    ('stamps lie in the future', stamped('/points', moved(1.0)), 'lidar/ahead',
     r'lidar stamps lie \d+ ms ahead of the host'),
    ('frame_id changes', stamped('/unit', field('header.frame_id', 'odom')), 'unit/frame',
     r'unit is given in odom -> base, not map -> base as before'),
    ('messages come in a burst after a pause', burst_after_a_pause, 'lidar/silent',
     r'lidar silent for [\d.]+ s'),
    ('the position is not a number', stamped('/unit', field('pose.pose.position.y', NAN)),
     'unit/pose_invalid', r'unit gives a position that is not finite'),
    ('the covariance is not a number', stamped('/unit', field('pose.covariance.7', NAN)),
     'unit/covariance_invalid', r'covariance of unit holds values that are not finite numbers'),
    ('the quaternion is zero', stamped('/unit', field('pose.pose.orientation.w', 0.0)),
     'unit/pose_invalid', r'unit gives a quaternion of length 0, expected 1'),
    ('the quaternion is not of length 1', stamped('/unit', field('pose.pose.orientation.w', 2.0)),
     'unit/pose_invalid', r'unit gives a quaternion of length 2, expected 1'),
    ('a stream is far behind', stamped('/points', moved(-3600.0)), 'lidar/late',
     r'lidar stamps lie 1 h 0 min behind the host: a clock that was never set, or old data'),
    ('a second gate is started', second_gate, 'gate/second_publisher',
     r'2 nodes publish the gate: end all but one'),
    ('both monitors are started twice', monitors_twice, 'sync_monitor/second_monitor',
     r'2 processes speak as sync_monitor \(process \d+ on .*\): end all but one'),
    ('a source is found late, such as 30 s after the start', found_late, 'lidar/not_seen',
     r'lidar: no message yet on /points'),
]
OPEN = [
    ('messages come twice', every_message_twice, counts('duplicated')),
    ('the rate halves', rate_halves, counts('lost')),
    ('the twist is not a number', stamped('/unit', field('twist.twist.angular.z', NAN)),
     lambda person: 'a twist that is not finite' in person.reasons.get(
         'notice/unit/twist_invalid', '')),
    ('the IMU gives no numbers', stamped('/imu', field('angular_velocity.z', NAN)),
     lambda person: 'a turn rate that is not finite' in person.reasons.get(
         'notice/imu/unusable', '')),
    ('a cloud lies about its size', lying_sizes,
     lambda person: 'bytes, expected at least' in person.reasons.get('notice/lidar/unusable', '')),
    ('another type is sent on the topic', another_type,
     lambda person: 'camera: /camera_info is also sent as std_msgs/msg/Float64, expected '
                    'sensor_msgs/msg/CameraInfo' in person.events.get('type_mismatch', '')),
    ('1,000 other topics appear', many_topics, None),
    ('a parameter is set to nonsense', nonsense, None),
    ('a topic is stormed at 20 kHz', storm,
     lambda person: 'messages a second, expected 50 Hz' in person.events.get('storm', '')),
]
LOADED = ('silent', 'late', 'no_verdict', 'unit/stale')
"""Ends of reasons that a busy computer alone can bring about."""


def opened(site, seconds=30.0):
    return site.wait(lambda: site.person.allowed is True, seconds) is not None


@pytest.mark.parametrize('fault, inject, key, text', HELD, ids=[row[0] for row in HELD])
def test_fault_holds_the_gate_says_why_and_passes(site, fault, inject, key, text):
    assert opened(site), site.person.text
    site.person.forget()
    inject(site)
    seen = site.wait(lambda: re.search(text, site.person.reasons.get(f'reason/{key}', '')), 10.0)
    assert seen is not None, (site.person.reasons, site.person.text)
    assert site.person.allowed is False
    site.spin(1.0)
    site.robot.heal()
    assert opened(site), site.person.text
    assert site.nodes.ended() == {}


@pytest.mark.long
def test_gate_waits_half_a_minute_for_a_source_that_is_found_late(site):
    assert opened(site), site.person.text
    found_late(site)
    assert site.wait(lambda: 'reason/lidar/not_seen' in site.person.reasons, 10.0) is not None
    site.spin(1.0)
    site.person.forget()
    assert site.wait(lambda: site.person.allowed is True, 30.0) is None
    assert site.person.reasons['reason/lidar/not_seen'] == 'lidar: no message yet on /points'
    site.robot.heal()
    assert opened(site), site.person.text
    assert site.nodes.ended() == {}


@pytest.mark.parametrize('fault, inject, told', OPEN, ids=[row[0] for row in OPEN])
def test_fault_that_does_not_matter_leaves_the_gate_open(site, fault, inject, told):
    assert opened(site), site.person.text
    site.person.forget()
    if told is not None:
        assert not told(site.person)
    inject(site)
    site.spin(1.0)
    if told is not None:
        assert site.wait(lambda: told(site.person), 5.0) is not None, site.person.figures
    site.robot.heal()
    assert opened(site), site.person.text
    assert [key for key in site.person.reasons
            if key.startswith('reason/') and not key.endswith(LOADED)] == []
    assert site.nodes.ended() == {}
