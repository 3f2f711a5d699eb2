# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The gate with the cameras checked: separate processes over real DDS."""

from live_site import MONITORS, Site
import numpy as np
import pytest
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
        site.light = 1.0

        def send():
            seen = site.light * texture[:192, :256] + rng.normal(0.0, 1.5, (192, 256))
            message = Image(height=192, width=256, encoding='mono8', step=256)
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
    site.nodes.process('camera_monitor').kill()
    assert became(site, False, 5.0) is not None
    assert site.wait(lambda: 'camera_monitor has stopped or is stuck' in site.watcher.status_text,
                     3.0) is not None, site.watcher.status_text
    statuses = site.nodes.stop()
    del statuses['camera_monitor']
    assert set(statuses.values()) == {0}
