# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Both monitors and the gate in one process do what they do as three, on the same messages."""

import json
import os
from pathlib import Path
import signal
import subprocess
import sys
import time

from live_site import MONITORS, Site
import pytest
from robot_mapping_qa import rig
from robot_mapping_qa.resources import share_file
import yaml

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
from rclpy.node import Node  # noqa: E402, I100
from robot_mapping_qa.demo.watcher import GateWatcher  # noqa: E402
from std_srvs.srv import SetBool  # noqa: E402

DOMAIN = 155
CONFIGURATION = share_file('config/demo_streams.yaml')
WAYS = {'separate': MONITORS, 'composed': ('monitor',)}
FAULT = {'kind': 'silence', 'sensor': 'unit_odometry', 'at_s': 8.0, 'until_s': 9.5}
APART_NS = 150_000_000
"""The processes are woken at different times; the demo allows live and offline 0.1 s."""


@pytest.fixture
def site(tmp_path, monkeypatch):
    """Return both ways in namespaces of their own, listening to the same topics of one rig."""
    site = Site(tmp_path, monkeypatch, DOMAIN)
    site.started = {}
    site.watchers = {way: site.watch(GateWatcher(site.context, namespace=way)) for way in WAYS}
    try:
        for way, nodes in WAYS.items():
            for node in nodes:
                with (tmp_path / f'{way}_{node}.log').open('w') as log:
                    site.started[way, node] = subprocess.Popen(
                        [sys.executable, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args',
                         '-r', f'__ns:=/{way}', '--params-file', str(CONFIGURATION)],
                        env=site.nodes.environment, stdout=log, stderr=subprocess.STDOUT)
        yield site
    finally:
        for process in site.started.values():
            process.kill()
            process.wait()
        site.close()


def test_one_process_holds_as_three_do_and_ends_cleanly(site, tmp_path):
    scenario = yaml.safe_load((Path(rig.__file__).parent / 'scenarios/demo.yaml').read_text())
    scenario.update(duration_s=14.0, faults=[FAULT])
    (tmp_path / 'scenario.yaml').write_text(yaml.safe_dump(scenario))
    both = site.watchers.values()
    assert site.wait(lambda: all(watcher.allowed is False for watcher in both), 60.0) is not None
    site.nodes.start('rig', f'scenario:={tmp_path / "scenario.yaml"}', 'start_delay_s:=2.0',
                     f'truth_file:={tmp_path / "truth.json"}')
    assert site.wait(lambda: 'rig' in site.nodes.ended(), 60.0) is not None
    fault, = json.loads((tmp_path / 'truth.json').read_text())['faults']

    one, three = (
        next(hold for hold in site.watchers[way].holds
             if fault['first_message_ns'] < hold.closed_ns < fault['until_ns'])
        for way in ('composed', 'separate'))
    assert 'unit_odometry/silent' in one.reasons
    assert set(one.reasons) == set(three.reasons)
    assert abs(one.closed_ns - three.closed_ns) < APART_NS
    assert abs(one.opened_ns - three.opened_ns) < APART_NS

    person = site.watch(Node('person', context=site.context))
    hold = person.create_client(SetBool, '/composed/mapping_qa/hold')
    assert hold.wait_for_service(5.0)
    answer = hold.call_async(SetBool.Request(data=True))
    assert site.wait(answer.done, 5.0) is not None
    assert 'held by hand' in answer.result().message

    process = site.started['composed', 'monitor']
    asked = time.monotonic()
    process.send_signal(signal.SIGINT)
    assert process.wait(5.0) == 0
    assert time.monotonic() - asked < 2.0
    assert 'Traceback' not in (tmp_path / 'composed_monitor.log').read_text()


def test_wrong_parameters_end_all_with_one_line_and_status_2(tmp_path):
    file = tmp_path / 'bad.yaml'
    file.write_text('/**: {ros__parameters: {streams: [unit], unit: {topic: /a, role: pose}}}\n')
    ended = subprocess.run(
        [sys.executable, '-m', 'robot_mapping_qa.nodes.monitor', '--ros-args', '--params-file',
         str(file)], env={**os.environ, 'ROS_DOMAIN_ID': str(DOMAIN)}, capture_output=True,
        text=True, timeout=60)
    assert ended.returncode == 2
    assert ended.stderr.strip().splitlines()[-1] == (
        f'{file}: unit.type: missing; every stream needs it')
    assert 'Traceback' not in ended.stderr
