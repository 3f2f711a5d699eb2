# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The gate with the cameras checked: separate processes over real DDS."""

import signal

from live_site import MONITORS, Site
import numpy as np
import pytest
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.configuration import configuration_from_parameters, read_parameters
from robot_mapping_qa.messages.topics import CAMERA_VERDICT
from robot_mapping_qa.messages.verdict_message import verdict_from_message
from robot_mapping_qa.nodes.qos import VERDICT_QOS
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig.camera import wall_texture

pytest.importorskip('rclpy', reason='needs ROS 2')

DEMO = share_file('config/demo_streams.yaml')
DOMAIN = 160
# So low that the rig's steady walk counts as turning: it sways by more at every step.
CHECKED = """
/**:
  ros__parameters:
    streams: [unit_odometry, body_imu, front_camera, roof_lidar, aid_camera]
    aid_camera: {topic: /aid/image_raw, type: sensor_msgs/msg/Image, role: aid, rate_hz: 10.0}
    check_cameras: true
    motion: {turn_rate_limit_radps: 0.01, tilt_rate_limit_radps: 0.01, hold_s: 5.0}
"""


@pytest.fixture
def site(tmp_path, monkeypatch):
    """Return a site whose cameras are checked; the test itself is the aiding camera."""
    from diagnostic_msgs.msg import DiagnosticArray
    from robot_mapping_qa.demo.watcher import GateWatcher
    from sensor_msgs.msg import Image
    file = tmp_path / 'checked.yaml'
    file.write_text(CHECKED)
    site = Site(tmp_path, monkeypatch, DOMAIN)
    site.files = (DEMO, file)
    try:
        site.watcher = watcher = site.watch(GateWatcher(site.context))
        pictures = watcher.create_publisher(Image, '/aid/image_raw', 1)
        texture = wall_texture(256, 512, np.random.default_rng(5)).astype(float)
        rng = np.random.default_rng(6)
        site.light, site.row_bytes = 1.0, 256

        def send():
            seen = site.light * texture[:192, :256] + rng.normal(0.0, 1.5, (192, 256))
            message = Image(height=192, width=256, encoding='mono8', step=site.row_bytes)
            message.header.stamp = watcher.get_clock().now().to_msg()
            message.data = np.clip(seen, 0, 255).astype(np.uint8).tobytes()
            pictures.publish(message)
        watcher.create_timer(0.1, send)
        site.statuses = {}
        watcher.create_subscription(
            DiagnosticArray, '/diagnostics', lambda message: site.statuses.update(
                (status.name, status) for status in message.status), 10)
        for node in (*MONITORS, 'camera_monitor'):
            site.nodes.start(node, parameter_files=site.files)
        site.nodes.start('rig', 'scenario:=healthy')
        yield site
    finally:
        site.close()


def became(site, allowed, seconds):
    return site.wait(lambda: site.watcher.allowed is allowed, seconds)


def test_the_gate_follows_the_aiding_camera_and_needs_the_node_that_looks_at_it(site):
    assert became(site, True, 60.0) is not None, site.watcher.status_text
    site.light = 0.03
    closed_s = became(site, False, 10.0)
    assert closed_s is not None, site.watcher.status_text
    # Two samples at 4 Hz, a tick, the on-delay, and what a busy computer adds.
    assert closed_s < 2.0
    text = 'without a healthy aiding camera: aid_camera is too dark ('
    assert site.wait(lambda: text in site.watcher.status_text, 3.0) is not None, \
        site.watcher.status_text
    name = 'robot_mapping_qa: camera aid_camera'
    assert site.wait(lambda: 'too dark' in site.statuses[name].message, 3.0) is not None
    site.light = 1.0
    assert became(site, True, 20.0) is not None, site.watcher.status_text
    site.row_bytes = 255
    assert became(site, False, 10.0) is not None, site.watcher.status_text
    text = 'aid_camera sends pictures that cannot be read: rows of 255 bytes (step), expected'
    assert site.wait(lambda: text in site.watcher.status_text, 3.0) is not None, \
        site.watcher.status_text
    site.row_bytes = 256
    assert became(site, True, 20.0) is not None, site.watcher.status_text
    site.nodes.process('camera_monitor').kill()
    assert became(site, False, 5.0) is not None
    assert site.wait(lambda: 'camera_monitor has stopped or is stuck' in site.watcher.status_text,
                     3.0) is not None, site.watcher.status_text
    statuses = site.nodes.stop()
    del statuses['camera_monitor']
    assert set(statuses.values()) == {0}


class Looks:
    """Keeps from the ticks of an assessment when the aiding camera was found too dark."""

    def __init__(self):
        self.dark_ns = []

    def ticked(self, assessment, now_ns):
        if any(c.kind == 'too_dark' for c in assessment.cameras.conditions('aid_camera', now_ns)):
            self.dark_ns.append(now_ns)

    def happened(self, events, now_ns):
        pass

    def decided(self, decision, hold):
        pass


def test_recording_tells_of_the_same_bad_camera_at_the_same_time(site, tmp_path):
    from diagnostic_msgs.msg import DiagnosticArray
    live_ns = []

    def take(message):
        verdict = verdict_from_message(message)
        if any(c.key == 'aid_camera/too_dark' for c in verdict.conditions):
            live_ns.append(verdict.stamp_ns)
    site.watcher.create_subscription(DiagnosticArray, CAMERA_VERDICT.name, take, VERDICT_QOS)
    assert became(site, True, 60.0) is not None, site.watcher.status_text
    bag = tmp_path / 'run'
    site.nodes.start('quality_log', f'bag:={bag}', 'pictures:=true', parameter_files=site.files)
    assert site.wait(lambda: list(bag.glob('*.mcap')), 20.0) is not None
    site.spin(3.0)
    site.light = 0.03
    site.spin(4.0)
    site.light = 1.0
    site.spin(4.0)
    recorder = site.nodes.process('quality_log')
    recorder.send_signal(signal.SIGINT)
    assert recorder.wait(20.0) == 0
    configuration = configuration_from_parameters(
        {key: value for file in site.files for key, value in read_parameters(file).items()},
        'the files of the test')
    looks = Looks()
    with Recording(bag, configuration.streams, configuration.cameras) as recording:
        assessment = Assessment(configuration, recording.start_ns, looks)
        for stream, log_ns, data in recording.messages():
            assessment.take(stream, log_ns, data)
        assessment.finish(recording.end_ns)
    # Four pictures a second are looked at, not the same ones; live verdicts come at every second
    # tick, and later on a busy computer.
    for offline, live in zip((looks.dark_ns[0], looks.dark_ns[-1]), (live_ns[0], live_ns[-1])):
        assert offline * 1e-9 == pytest.approx(live * 1e-9, abs=0.5)
