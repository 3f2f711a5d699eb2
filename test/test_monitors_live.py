# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The gate when its monitors die or get stuck: separate processes over real DDS."""

import os
import signal
import subprocess
import sys
import time

from live_site import MONITORS, Site
import pytest
from robot_mapping_qa.demo.processes import dds_environment
from robot_mapping_qa.resources import share_file

pytest.importorskip('rclpy', reason='needs ROS 2')

CONFIGURATION = share_file('config/demo_streams.yaml')
DOMAIN = 110


@pytest.fixture
def site(tmp_path, monkeypatch):
    """Return a healthy site whose gate is open, with a watcher of the gate."""
    from robot_mapping_qa.demo.watcher import GateWatcher
    site = Site(tmp_path, monkeypatch, DOMAIN)
    try:
        site.watcher = site.watch(GateWatcher(site.context))
        for node in MONITORS:
            site.nodes.start(node, parameter_files=(CONFIGURATION,))
        site.nodes.start('rig', 'scenario:=healthy')
        assert opened(site, 60.0) is not None, site.watcher.status_text
        yield site
    finally:
        site.close()


def opened(site, seconds):
    return site.wait(lambda: site.watcher.allowed is True, seconds)


def closed(site, seconds):
    return site.wait(lambda: site.watcher.allowed is False, seconds)


@pytest.mark.parametrize('node', ['sync_monitor', 'pose_monitor'])
def test_killed_monitor_closes_the_gate_until_it_is_back(site, node):
    site.nodes.process(node).kill()
    closed_s = closed(site, 5.0)
    assert closed_s is not None and closed_s < 0.9
    site.spin(1.5)
    reason = site.watcher.holds[-1].reasons[f'{node}/no_verdict']
    assert f'{node} has stopped or is stuck' in reason
    back = time.monotonic()
    site.nodes.start(node, parameter_files=(CONFIGURATION,))
    assert opened(site, 30.0) is not None, site.watcher.status_text
    # The off-delay, and for the timing its settling, must have passed.
    assert time.monotonic() - back > 2.0


def test_stopped_monitor_closes_the_gate_and_its_old_words_do_not_open_it(site):
    process = site.nodes.process('pose_monitor')
    os.kill(process.pid, signal.SIGSTOP)
    try:
        assert closed(site, 2.0) is not None
        site.spin(1.0)
    finally:
        os.kill(process.pid, signal.SIGCONT)
    resumed = time.monotonic()
    assert opened(site, 20.0) is not None
    assert time.monotonic() - resumed >= 1.95


def test_interrupted_gate_withdraws_its_leave_and_every_node_ends_cleanly(site):
    site.nodes.process('capture_gate').send_signal(signal.SIGINT)
    assert closed(site, 2.0) is not None
    statuses = site.nodes.stop()
    assert set(statuses.values()) == {0}, {
        node: site.nodes.log(node) for node, status in statuses.items() if status}
    for node in statuses:
        assert 'Traceback' not in site.nodes.log(node)


@pytest.mark.parametrize('node', ['sync_monitor', 'pose_monitor', 'capture_gate', 'quality_log'])
def test_wrong_parameters_end_with_one_line_and_status_2(node, tmp_path):
    file = tmp_path / 'bad.yaml'
    file.write_text('/**: {ros__parameters: {streams: [unit], unit: {topic: /a, role: pose}}}\n')
    ended = subprocess.run(
        [sys.executable, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args', '--params-file',
         str(file)], env=dds_environment(DOMAIN + 1), capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert ended.stderr.strip().splitlines()[-1] == (
        f'{file}: unit.type: missing; every stream needs it')
    assert 'Traceback' not in ended.stderr


@pytest.mark.parametrize('node', ['sync_monitor', 'rig'])
def test_a_parameter_file_that_is_not_there_is_named_in_one_line(node):
    ended = subprocess.run(
        [sys.executable, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args', '--params-file',
         '/no/such.yaml'], env=dds_environment(DOMAIN + 1), capture_output=True, text=True,
        timeout=60)
    assert ended.returncode == 2
    assert ended.stderr == '/no/such.yaml: cannot be read: No such file or directory\n'
    assert 'Traceback' not in ended.stderr
