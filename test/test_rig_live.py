# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The simulated robot as a process of its own, seen over DDS."""

import json
import os
from pathlib import Path
import signal
import subprocess
import sys
import time

from live_site import Site
import pytest

rclpy = pytest.importorskip('rclpy', reason='needs a ROS installation')
from nav_msgs.msg import Odometry  # noqa: E402, I100
from rclpy.executors import SingleThreadedExecutor  # noqa: E402
from rclpy.qos import QoSProfile, ReliabilityPolicy  # noqa: E402
from rclpy.serialization import deserialize_message  # noqa: E402
from robot_mapping_qa.demo.run import CONFIGURATION, DemoError, LiveRun  # noqa: E402
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED  # noqa: E402
from robot_mapping_qa.nodes.qos import GATE_QOS  # noqa: E402
from robot_mapping_qa.resources import share_file  # noqa: E402
from sensor_msgs.msg import CameraInfo, Image, Imu, PointCloud2  # noqa: E402
from std_msgs.msg import Bool  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
DOMAIN = 100 + os.getpid() % 100
TOPICS = {
    '/unit/odometry': (Odometry, 100.0), '/body/imu': (Imu, 200.0),
    '/front/camera_info': (CameraInfo, 15.0), '/front/image_raw': (Image, 15.0),
    '/roof/points': (PointCloud2, 10.0)}

# As the rig offers them; deep, so that a pause of this process loses nothing.
RELIABLE = QoSProfile(depth=500, reliability=ReliabilityPolicy.RELIABLE)
BEST_EFFORT = QoSProfile(depth=50, reliability=ReliabilityPolicy.BEST_EFFORT)

SCENARIO = (ROOT / 'robot_mapping_qa' / 'rig' / 'scenarios' / 'healthy.yaml').read_text()


def start(*parameters):
    command = [sys.executable, '-m', 'robot_mapping_qa.nodes.rig', '--ros-args']
    for parameter in parameters:
        command += ['-p', parameter]
    path = os.pathsep.join([str(ROOT), os.environ.get('PYTHONPATH', '')]).rstrip(os.pathsep)
    return subprocess.Popen(
        command, env={**os.environ, 'ROS_DOMAIN_ID': str(DOMAIN), 'PYTHONPATH': path},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.fixture
def processes():
    """Yield a list; the processes put there are ended."""
    started = []
    yield started
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.fixture
def listener():
    """Yield (spin, received): a node that keeps receive times and messages of all topics."""
    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    node = rclpy.create_node('listener', context=context)
    executor = SingleThreadedExecutor(context=context)
    executor.add_node(node)
    received = {topic: [] for topic in TOPICS}
    for topic, (kind, _) in TOPICS.items():
        def take(data, info, topic=topic):
            received[topic].append((info['source_timestamp'], data))
        qos = BEST_EFFORT if kind in (Image, PointCloud2) else RELIABLE
        node.create_subscription(kind, topic, take, qos, raw=True)
    yield executor.spin_once, received
    executor.shutdown()
    node.destroy_node()
    rclpy.shutdown(context=context)


def test_all_topics_arrive_at_their_rates_and_the_truth_is_written(
        tmp_path, processes, listener):
    scenario, truth_file = tmp_path / 'short.yaml', tmp_path / 'truth.json'
    scenario.write_text(SCENARIO.replace('duration_s: 62.0', 'duration_s: 5.0') + """
faults:
  - {kind: silence, sensor: unit_odometry, at_s: 4.0, until_s: 4.5}
  - {kind: clock_step, sensor: front_camera, at_s: 3.0, size_s: 0.08}
""")
    rig = start(f'scenario:={scenario}', f'truth_file:={truth_file}', 'seed:=11',
                'start_delay_s:=4.0')
    processes.append(rig)
    spin, received = listener
    deadline = time.monotonic() + 20.0
    while rig.poll() is None and time.monotonic() < deadline:
        spin(timeout_sec=0.1)
    assert rig.wait(timeout=1.0) == 0, rig.stderr.read()

    truth = json.loads(truth_file.read_text())
    assert truth['seed'] == 11
    duration_s = (truth['end_ns'] - truth['start_ns']) * 1e-9
    assert duration_s == 5.0
    for topic, (_, rate_hz) in TOPICS.items():
        expected = rate_hz * (duration_s - (0.5 if topic == '/unit/odometry' else 0.0))
        # Pictures and clouds are best effort: under load a few may be lost on the way.
        assert 0.9 * expected <= len(received[topic]) <= expected, topic

    # The DDS source timestamp shows the configured delay: camera 18 ms and queueing on the way,
    # its clock 4 ms ahead and, from 3 s on, 84 ms. Never earlier; later by what the rig owns to.
    assert truth['live']['published'] == 5 * (100 + 200 + 15 + 15 + 10) - 50
    assert truth['live']['late_mean_s'] < 0.02
    late_s = truth['live']['late_max_s'] + 0.003
    silence, step = truth['faults']
    seen = [(source_ns, deserialize_message(data, CameraInfo).header.stamp)
            for source_ns, data in received['/front/camera_info']]
    apparent = [(source_ns, (source_ns - stamp.sec * 10 ** 9 - stamp.nanosec) * 1e-9)
                for source_ns, stamp in seen]
    before_s = [value for source_ns, value in apparent if source_ns < step['first_message_ns']]
    after_s = [value for source_ns, value in apparent if source_ns >= step['first_message_ns']]
    for least_s, values_s in ((0.018 - 0.004, before_s), (0.018 - 0.084, after_s)):
        assert least_s - 0.0001 < min(values_s) < least_s + late_s
        assert len(values_s) > 20

    odometry_ns = [source_ns for source_ns, _ in received['/unit/odometry']]
    gap_ns, from_ns = max((b - a, a) for a, b in zip(odometry_ns, odometry_ns[1:]))
    assert 0.5 - late_s < gap_ns * 1e-9 < 0.52 + late_s
    assert abs(silence['first_message_ns'] - from_ns) * 1e-9 < 0.015 + late_s


def test_the_truth_of_a_walk_has_the_true_path(tmp_path, processes):
    truth_file = tmp_path / 'truth.json'
    rig = start('scenario:=walk', f'truth_file:={truth_file}', 'start_delay_s:=0.0')
    processes.append(rig)
    deadline = time.monotonic() + 20.0
    while not truth_file.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    path = json.loads(truth_file.read_text())['path']
    # 300 s at 20 Hz; the walk begins before the passage.
    assert len(path['time_ns']) == len(path['position']) == 6001
    assert path['position'][0][0] < 0.0


def test_interrupt_ends_it_cleanly_with_the_truth_so_far(tmp_path, processes):
    truth_file = tmp_path / 'truth.json'
    rig = start('scenario:=demo', f'truth_file:={truth_file}', 'start_delay_s:=0.0')
    processes.append(rig)
    deadline = time.monotonic() + 15.0
    while not truth_file.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert truth_file.exists()
    rig.send_signal(signal.SIGINT)
    _, errors = rig.communicate(timeout=5.0)
    assert rig.returncode == 0 and 'Traceback' not in errors
    truth = json.loads(truth_file.read_text())
    assert all(fault['first_message_ns'] is None for fault in truth['faults'])
    assert list(tmp_path.iterdir()) == [truth_file]


@pytest.mark.parametrize('parameter, message', [
    ('scenario:=parade', "scenario: found 'parade', expected the path of a YAML file or one of"),
    ('seed:=-3', 'seed: found -3, expected a whole number of 0 or more'),
    ('truth_file:=/no/such/folder/t.json',
     'truth_file: /no/such/folder/t.json cannot be written: No such file or directory')])
def test_a_bad_parameter_is_refused_in_one_line_with_status_2(processes, parameter, message):
    rig = start(parameter)
    processes.append(rig)
    _, errors = rig.communicate(timeout=15.0)
    assert rig.returncode == 2
    assert message in errors and len(errors.strip().splitlines()) == 1


def test_a_demo_beside_another_gate_is_refused(tmp_path, monkeypatch):
    site = Site(tmp_path, monkeypatch, DOMAIN)
    try:
        node = site.watch(rclpy.create_node('forgotten_gate', context=site.context))
        node.create_publisher(Bool, CAPTURE_ALLOWED.name, GATE_QOS)
        demo = LiveRun(tmp_path, 'demo', 1, share_file(CONFIGURATION), print)
        with pytest.raises(DemoError, match='another gate is running'):
            demo.run(DOMAIN)
        assert not list(tmp_path.glob('logs/*'))
    finally:
        site.close()
