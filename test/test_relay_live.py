# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""`capture_relay` as a process over real DDS, between a camera and who takes its pictures."""

import os
from pathlib import Path
import signal
import subprocess
import sys
import time

from live_site import Site
import pytest
from robot_mapping_qa.demo.processes import dds_environment
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')
pytest.importorskip('message_filters', reason='needs message_filters or its stand-in')

DOMAIN = 130
OFF_DELAY_S = 1.0
DEADLINE_S = 0.5
SLACK_S = 0.3
CAMERA, LIDAR, UNIT = '/front/image_raw', '/roof/points', '/unit/odometry'

STREAMS = {
    'streams': ['unit', 'camera', 'lidar'],
    'unit': {'topic': UNIT, 'type': 'nav_msgs/msg/Odometry', 'role': 'pose', 'rate_hz': 100.0},
    'camera': {'topic': CAMERA, 'type': 'sensor_msgs/msg/Image', 'role': 'capture',
               'rate_hz': 20.0},
    'lidar': {'topic': LIDAR, 'type': 'sensor_msgs/msg/PointCloud2', 'role': 'geometry',
              'rate_hz': 10.0},
    'gate': {'off_delay_s': OFF_DELAY_S},
    # So long that a busy machine is not taken for a late picture.
    'timing': {'delay_limit_s': 5.0},
}


class RelaySite(Site):
    """A relay, and the test's own node that plays everything around it."""

    def __init__(self, folder, monkeypatch):
        from rclpy.node import Node
        super().__init__(folder, monkeypatch, DOMAIN)
        self.node = self.watch(Node('around', context=self.context))
        self.file = folder / 'streams.yaml'
        self.file.write_text(yaml.safe_dump({'/**': {'ros__parameters': STREAMS}}))
        self.got = {}
        self.says = None
        self.status = None
        self._processes = []
        self._publishers = {}

    def start_relay(self, *parameters):
        from diagnostic_msgs.msg import DiagnosticArray
        self.node.create_subscription(DiagnosticArray, '/diagnostics', self._diagnose, 20)
        self.nodes.start('capture_relay', *parameters, parameter_files=(self.file,))

    def _diagnose(self, message):
        for status in message.status:
            if status.name == 'robot_mapping_qa: relay':
                self.status = status

    def count(self, key):
        """Return a count of the relay's diagnostics, 0 before there are any."""
        values = {item.key: item.value for item in self.status.values} if self.status else {}
        return int(values.get(key, 0))

    def start_gate(self):
        """Start a gate of its own process that is open."""
        gate = subprocess.Popen([sys.executable, str(Path(__file__).with_name('open_gate.py'))],
                                env=self.nodes.environment, start_new_session=True)
        self._processes.append(gate)
        return gate

    def close(self):
        for process in self._processes:
            process.kill()
            process.wait()
        return super().close()

    def play_gate(self):
        """Be the gate: say ten times a second what ``says`` is, and tell the onset of holds."""
        from diagnostic_msgs.msg import DiagnosticStatus, KeyValue
        from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, GATE
        from robot_mapping_qa.nodes.qos import GATE_QOS, LATCHED_QOS
        from std_msgs.msg import Bool
        word = self.node.create_publisher(Bool, CAPTURE_ALLOWED.name, GATE_QOS)
        status = self.node.create_publisher(DiagnosticStatus, GATE.name, LATCHED_QOS)

        def say(allowed, onset_ns=None):
            self.says = allowed
            # As the gate does: it decides, then it speaks.
            values = {'state': 'open' if allowed else 'held', 'since_ns': str(time.time_ns())}
            word.publish(Bool(data=allowed))
            if onset_ns is not None:
                values['onset_ns'] = str(onset_ns)
            status.publish(DiagnosticStatus(
                message='held: weak geometry', values=[
                    KeyValue(key=key, value=value) for key, value in values.items()]))
        self.node.create_timer(0.1, lambda: word.publish(Bool(data=self.says)))
        say(True)
        return say

    def source(self, kind, topic, qos=10):
        self._publishers[topic] = self.node.create_publisher(kind, topic, qos)
        return self._publishers[topic]

    def publisher(self, topic):
        return self._publishers[topic]

    def sink(self, kind, topic, qos=10):
        """Keep the bytes of what arrives on a topic."""
        kept = self.got[topic] = []
        self.node.create_subscription(
            kind, topic, lambda data, _info: kept.append(data), qos, raw=True)
        return kept

    def camera(self):
        """Return the stamps of the pictures that came through the relay."""
        from sensor_msgs.msg import Image
        self.source(Image, CAMERA)
        self.sink(Image, CAMERA)
        return self.sink(Image, CAMERA + '/inspection')

    def take(self, topic=CAMERA, stamp_ns=None, **fields):
        """Publish a message with a header, taken now unless told; return its stamp."""
        from builtin_interfaces.msg import Time
        publisher = self._publishers[topic]
        message = publisher.msg_type(**fields)
        stamp_ns = time.time_ns() if stamp_ns is None else stamp_ns
        message.header.stamp = Time(sec=stamp_ns // 10**9, nanosec=stamp_ns % 10**9)
        publisher.publish(message)
        return stamp_ns

    def passes(self, seconds, topic=CAMERA):
        """Take pictures at 20 Hz until one came through the relay; None where none did."""
        kept = self.got[topic + '/inspection']
        had = len(kept)
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            self.take(topic)
            if self.wait(lambda: len(kept) > had, 0.05) is not None:
                return time.monotonic() - start
        return None

    def stamps(self, topic=CAMERA):
        from robot_mapping_qa.messages.serialized import read_stamp
        return [read_stamp(data) for data in self.got[topic + '/inspection']]

    def says_why(self, words, seconds=5.0):
        """Return whether the relay's diagnostics come to say that."""
        return self.wait(
            lambda: self.status is not None and words in self.status.message, seconds) is not None


@pytest.fixture
def site(tmp_path, monkeypatch):
    site = RelaySite(tmp_path, monkeypatch)
    try:
        yield site
    finally:
        statuses = site.close()
    for node, status in statuses.items():
        assert 'Traceback' not in site.nodes.log(node), site.nodes.log(node)
        assert status == 0, site.nodes.log(node)


def test_pictures_pass_by_their_stamp_and_unchanged(site):
    passed = site.camera()
    site.start_relay()
    say = site.play_gate()
    assert site.passes(20.0) is not None, site.status

    site.take(data=bytes(range(256)), height=1, width=256, encoding='mono8', step=256)
    assert site.wait(lambda: passed[-1] == site.got[CAMERA][-1], 2.0) is not None
    site.spin(0.2)

    # A hold whose onset lay 60 ms back.
    closed = time.time_ns()
    say(False, onset_ns=closed - 60_000_000)
    assert site.says_why('nothing passes: held: weak geometry')
    before = len(passed)
    well = site.take(stamp_ns=closed - 61_000_000)
    suspect = site.take(stamp_ns=closed - 50_000_000)
    assert site.wait(lambda: len(passed) > before, 2.0) is not None
    held = [site.take() for _ in range(5)]
    late = time.time_ns()
    site.spin(0.05)
    say(True)
    assert site.says_why('the gate is open')
    # Taken during the hold, delivered after it.
    site.take(stamp_ns=late)
    assert site.passes(2.0) is not None
    stamps = site.stamps()
    assert well in stamps
    assert not {suspect, late, *held} & set(stamps)

    # Clocks that the relay cannot compare with its own.
    wrong = [site.take(stamp_ns=time.time_ns() + round(off_s * 1e9)) for off_s in (1.0, -10.0)]
    assert site.passes(2.0) is not None
    assert not set(wrong) & set(site.stamps())
    assert site.wait(lambda: site.count('withheld_stamp_ahead') == 1
                     and site.count('withheld_stamp_old') == 1, 3.0) is not None
    # One taken just before the first opening, and delivered after it, may be among them.
    assert site.count('withheld_held') - 2 - len(held) in (0, 1)
    assert site.wait(lambda: site.count('passed') == len(passed), 3.0) is not None


def test_nothing_passes_without_a_live_gate_nor_before_its_off_delay(site):
    site.camera()
    site.start_relay()
    assert site.says_why('no gate speaks on /mapping_qa/capture_allowed', 20.0)
    assert site.passes(1.0) is None
    assert site.count('withheld_no_gate') > 0

    gate = site.start_gate()
    # Counted from its word: it may have spoken at any time since the last look without it.
    assert site.wait(lambda: 'nothing passes yet' in site.status.message, 10.0) is not None
    settling = time.monotonic()
    assert site.passes(10.0) is not None
    assert time.monotonic() - settling > OFF_DELAY_S - 0.4

    os.kill(gate.pid, signal.SIGSTOP)
    stopped_ns = time.time_ns()
    try:
        deadline = time.monotonic() + 2.0
        while time.monotonic() < deadline:
            site.take()
            site.spin(0.05)
    finally:
        os.kill(gate.pid, signal.SIGCONT)
    resumed = time.monotonic()
    assert max(site.stamps()) < stopped_ns + (DEADLINE_S + SLACK_S) * 1e9
    assert site.passes(10.0) is not None
    assert time.monotonic() - resumed > OFF_DELAY_S - 0.1

    gate.kill()
    killed_ns = time.time_ns()
    assert site.says_why('fell silent')
    assert site.passes(1.0) is None
    assert max(site.stamps()) < killed_ns + (DEADLINE_S + SLACK_S) * 1e9


def test_second_gate_stops_everything(site):
    site.camera()
    site.start_relay()
    say = site.play_gate()
    assert site.passes(20.0) is not None
    gate = site.start_gate()
    assert site.says_why('more than one publisher on /mapping_qa/capture_allowed', 10.0)
    assert site.passes(0.5) is None
    # Not even what both of them agree on, nor the second one's leave against the first.
    say(False)
    assert site.passes(0.5) is None
    say(True)
    gate.send_signal(signal.SIGINT)
    gate.wait(10.0)
    assert site.says_why('nothing passes yet', 10.0)
    assert site.passes(10.0) is not None


def test_capture_service_is_called_only_while_the_gate_is_open(site):
    from rclpy.callback_groups import ReentrantCallbackGroup
    from std_srvs.srv import Trigger
    site.camera()
    calls = []

    def shoot(_request, response):
        calls.append(time.time_ns())
        response.success, response.message = True, 'picture 7'
        return response
    client = site.node.create_client(Trigger, '/front/trigger/inspection')
    site.start_relay('trigger_service:=/front/trigger')
    say = site.play_gate()
    assert site.passes(20.0) is not None

    def call():
        future = client.call_async(Trigger.Request())
        assert site.wait(future.done, 5.0) is not None
        return future.result()
    assert site.wait(client.service_is_ready, 5.0) is not None
    answer = call()
    assert (answer.success, answer.message) == (False, 'there is no service /front/trigger')
    site.node.create_service(
        Trigger, '/front/trigger', shoot, callback_group=ReentrantCallbackGroup())
    assert site.wait(lambda: call().success, 5.0) is not None
    answer = call()
    assert (answer.success, answer.message) == (True, 'picture 7')
    # The relay goes on with its other work.
    assert site.passes(2.0) is not None
    made = len(calls)
    say(False)
    assert site.says_why('nothing passes: held: weak geometry')
    answer = call()
    assert (answer.success, answer.message) == (False, 'nothing passes: held: weak geometry')
    assert len(calls) == made


def test_any_topic_passes_with_the_service_quality_of_its_source(site):
    from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
    from sensor_msgs.msg import LaserScan
    from std_msgs.msg import String
    best_effort = QoSProfile(depth=5, reliability=ReliabilityPolicy.BEST_EFFORT)
    kept = QoSProfile(depth=5, durability=DurabilityPolicy.TRANSIENT_LOCAL)
    site.source(LaserScan, '/arm/scan', best_effort)
    site.sink(LaserScan, '/arm/scan/inspection', best_effort)
    tag = site.source(String, '/arm/tag', kept)
    tags = site.sink(String, '/arm/tag/inspection', kept)
    site.start_relay('topics:=["/arm/scan", "/arm/tag std_msgs/msg/String"]')
    say = site.play_gate()
    assert site.passes(20.0, '/arm/scan') is not None, site.nodes.log('capture_relay')
    tag.publish(String(data='A7'))
    assert site.wait(lambda: len(tags) == 1 and b'A7' in tags[0], 2.0) is not None

    def offered(topic):
        info, = site.node.get_publishers_info_by_topic(topic + '/inspection')
        return info.qos_profile.reliability, info.qos_profile.durability
    assert offered('/arm/scan') == (ReliabilityPolicy.BEST_EFFORT, DurabilityPolicy.VOLATILE)
    assert offered('/arm/tag') == (ReliabilityPolicy.RELIABLE, DurabilityPolicy.TRANSIENT_LOCAL)
    assert site.says_why(f'no publisher on {CAMERA}')

    say(False)
    assert site.says_why('nothing passes')
    tag.publish(String(data='A8'))
    assert site.passes(0.5, '/arm/scan') is None
    assert len(tags) == 1


def test_only_complete_sets_pass(site):
    from nav_msgs.msg import Odometry
    from sensor_msgs.msg import PointCloud2
    site.camera()
    for kind, topic in ((PointCloud2, LIDAR), (Odometry, UNIT)):
        site.source(kind, topic)
        site.sink(kind, topic + '/inspection')
    site.start_relay('sets:=true')
    say = site.play_gate()

    def take_set(ages_ms, left_out=()):
        now_ns = time.time_ns()
        stamps = [now_ns - age * 1_000_000 for age in ages_ms]
        for topic, stamp_ns in zip((UNIT, LIDAR, CAMERA), stamps):
            if topic not in left_out:
                site.take(topic, stamp_ns)
        site.spin(0.1)
        return stamps
    assert site.wait(lambda: take_set((0, 0, 0)) and len(site.stamps()) > 2, 20.0) is not None

    def newest():
        return [site.stamps(topic)[-1] for topic in (UNIT, LIDAR, CAMERA)]
    complete = take_set((40, 20, 0))
    assert site.wait(lambda: newest() == complete, 3.0) is not None
    take_set((0, 0, 0), left_out=(LIDAR,))
    # No partner closer than the 50 ms of timing.set_slop_s.
    site.spin(0.2)
    take_set((60, 30, 0))
    assert newest() == complete
    assert site.wait(lambda: take_set((0, 0, 0), left_out=(LIDAR,))
                     and 'no set complete for' in site.status.message, 15.0) is not None
    # That of the set that was too far apart.
    assert f', 1 on {LIDAR}, ' in site.status.message
    say(False)
    assert site.says_why('nothing passes')
    take_set((0, 0, 0))
    assert newest() == complete
    counts = [len(site.stamps(topic)) for topic in (UNIT, LIDAR, CAMERA)]
    assert counts[0] == counts[1] == counts[2]
    assert site.wait(lambda: site.count('sets') == counts[0], 3.0) is not None
    assert site.count('without_set') >= 5


def test_messages_withheld_for_their_own_sake_are_told_while_the_gate_is_open(site):
    from diagnostic_msgs.msg import DiagnosticStatus
    site.camera()
    site.start_relay()
    site.play_gate()
    assert site.passes(20.0) is not None, site.status
    assert site.says_why('the gate is open')

    def told(words, take):
        site.node.create_timer(0.05, take)
        assert site.says_why(words), site.status
        return site.status.level
    old = told('messages withheld with stamps more than 5 s old',
               lambda: site.take(stamp_ns=time.time_ns() - 6 * 10**9))
    ahead = told('messages withheld with stamps more than 0.05 s ahead of the host',
                 lambda: site.take(stamp_ns=time.time_ns() + 10**9))
    publisher = site.publisher(CAMERA)
    broken = told('messages withheld that could not be read',
                  lambda: publisher.publish(b'\0\1\0\0cut'))
    assert old == ahead == broken == DiagnosticStatus.WARN
    assert site.status.message.startswith(f'the gate is open; {CAMERA}: ')


def test_simulated_time_that_restarts_stops_everything(site):
    from builtin_interfaces.msg import Time
    from rosgraph_msgs.msg import Clock
    clock = site.node.create_publisher(Clock, '/clock', 10)
    zero = {'sim': 1000.0, 'host': time.monotonic()}

    def sim_ns():
        return round((zero['sim'] + time.monotonic() - zero['host']) * 1e9)

    def tell():
        clock.publish(Clock(clock=Time(sec=sim_ns() // 10**9, nanosec=sim_ns() % 10**9)))
    site.camera()
    site.start_relay('use_sim_time:=true')
    site.play_gate()
    # Without simulated time there is nothing to judge by.
    assert site.says_why('nothing passes yet', 20.0)
    assert site.passes(1.5) is None

    def passes(seconds):
        had, start = len(site.stamps()), time.monotonic()
        while time.monotonic() - start < seconds:
            site.take(stamp_ns=sim_ns())
            if site.wait(lambda: len(site.stamps()) > had, 0.05) is not None:
                return True
        return False
    site.node.create_timer(0.01, tell)
    assert passes(10.0)
    zero.update(sim=500.0, host=time.monotonic())
    site.spin(0.1)
    restarted = time.monotonic()
    assert passes(10.0)
    assert time.monotonic() - restarted > OFF_DELAY_S - 0.3
    assert site.wait(lambda: site.count('withheld_settling') > 0, 3.0) is not None


@pytest.mark.parametrize('parameter, told', [
    ('sets:=["unit", "roof"]', 'sets: found roof, expected true, false, or names of streams'),
    ('topics:=["not a topic"]', "topics: found the text 'not a topic', expected a list of topics"),
    ('topics:=["/a std_msgs/msg/NoSuchThing"]',
     'message type std_msgs/msg/NoSuchThing is not installed'),
    ('trigger_service:="7"', "trigger_service: found the text '7', expected the name of a"),
])
def test_parameters_that_cannot_be_used_are_refused_in_words(tmp_path, parameter, told):
    file = tmp_path / 'streams.yaml'
    file.write_text(yaml.safe_dump({'/**': {'ros__parameters': STREAMS}}))
    ended = subprocess.run(
        [sys.executable, '-m', 'robot_mapping_qa.nodes.capture_relay', '--ros-args',
         '--params-file', str(file), '-p', parameter],
        env=dds_environment(DOMAIN + 1), capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert told in ended.stderr.strip().splitlines()[-1]
    assert 'Traceback' not in ended.stderr
