# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The launch files' arguments, on the real launch."""

import pytest
from robot_mapping_qa.resources import share_file

launch = pytest.importorskip('launch', reason='launch is not installed on this machine')
pytest.importorskip('launch_ros', reason='launch_ros is not installed on this machine')

MONITOR = str(share_file('launch/monitor.launch.py'))
STREAMS = str(share_file('config/demo_streams.yaml'))


def described(**arguments):
    """Return what the launch file would start with the arguments given."""
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    source = PythonLaunchDescriptionSource(MONITOR)
    context = launch.LaunchContext()
    context.launch_configurations.update(arguments)
    started = []
    for entity in source.get_launch_description(context).entities:
        started += entity.visit(context) or []
    return started


def executables(started):
    return [node.node_executable for node in started]


def test_every_argument_is_described():
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    source = PythonLaunchDescriptionSource(MONITOR)
    arguments = source.get_launch_description(launch.LaunchContext()).get_launch_arguments()
    assert {a.name for a in arguments} >= {
        'streams', 'profile', 'record', 'namespace', 'use_sim_time', 'log_level'}
    assert all(a.description for a in arguments)


def test_the_recorder_starts_only_where_it_is_asked_for():
    monitors = ['sync_monitor', 'pose_monitor', 'capture_gate']
    assert executables(described(streams=STREAMS)) == monitors
    assert executables(described(streams=STREAMS, record='run_1')) == [*monitors, 'quality_log']


@pytest.mark.parametrize('arguments, text', [
    ({'streams': '/no/such.yaml'}, '/no/such.yaml: cannot be read: No such file'),
    ({'streams': STREAMS, 'profile': 'swimming'}, 'profile swimming: not known; the package has'),
])
def test_a_missing_file_fails_with_one_clear_line(arguments, text):
    with pytest.raises(RuntimeError, match=text) as refusal:
        described(**arguments)
    assert len(str(refusal.value).splitlines()) == 1


def test_a_wrong_file_is_refused_before_any_node_starts(tmp_path):
    wrong = tmp_path / 'wrong.yaml'
    wrong.write_text('/**: {ros__parameters: {streams: []}}\n')
    with pytest.raises(RuntimeError, match='expected at least the stream with the role pose'):
        described(streams=str(wrong))
