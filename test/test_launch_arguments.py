# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The launch files' arguments, on the real launch."""

from pathlib import Path

import pytest
from robot_mapping_qa.resources import share_file
import yaml

launch = pytest.importorskip('launch', reason='launch is not installed on this machine')
pytest.importorskip('launch_ros', reason='launch_ros is not installed on this machine')

MONITOR, REPLAY, RIG = (
    str(share_file(f'launch/{name}.launch.py')) for name in ('monitor', 'replay', 'rig'))
STREAMS = str(share_file('config/demo_streams.yaml'))


def described(file=MONITOR, **arguments):
    """Return what the launch file would start with the arguments given."""
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    source = PythonLaunchDescriptionSource(file)
    context = launch.LaunchContext()
    context.launch_configurations.update(arguments)
    started = []
    for entity in source.get_launch_description(context).entities:
        started += entity.visit(context) or []
    return started


def executables(started):
    return [node.node_executable for node in started]


@pytest.mark.parametrize('file, names', [
    (MONITOR, {'streams', 'profile', 'composed', 'relay', 'record', 'ledger', 'page',
               'page_port', 'respawn', 'namespace', 'use_sim_time', 'log_level'}),
    (REPLAY, {'bag', 'streams', 'profile', 'composed', 'relay', 'namespace', 'rate',
              'log_level'}),
    (RIG, {'scenario', 'seed'}),
])
def test_every_argument_is_described(file, names):
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    source = PythonLaunchDescriptionSource(file)
    arguments = source.get_launch_description(launch.LaunchContext()).get_launch_arguments()
    assert {a.name for a in arguments} >= names
    assert all(a.description for a in arguments)


def test_the_recorder_starts_only_where_it_is_asked_for():
    monitors = ['sync_monitor', 'pose_monitor', 'capture_gate']
    assert executables(described(streams=STREAMS)) == monitors
    assert executables(described(streams=STREAMS, record='run_1')) == [*monitors, 'quality_log']
    assert executables(described(streams=STREAMS, ledger='run_1_ledger', relay='true')) == [
        *monitors, 'capture_relay', 'capture_ledger']


def test_the_page_is_served_only_where_it_is_asked_for():
    from launch_ros.utilities import evaluate_parameters
    assert 'site_page' not in executables(described(streams=STREAMS))
    page, = (node for node in described(streams=STREAMS, page='true', page_port='9000')
             if node.node_executable == 'site_page')
    own = evaluate_parameters(launch.LaunchContext(), page._Node__parameters)[-1]
    assert own['port'] == 9000


@pytest.mark.parametrize('given, robot', [({}, ''), ({'namespace': 'north'}, '/north')])
def test_an_argument_goes_before_the_section_of_its_node_in_the_file(given, robot, monkeypatch):
    monkeypatch.setenv('HOME', '/home/robot')
    started = {node.node_executable: node for node in described(
        streams=STREAMS, page='true', page_port='9000', record='~/run', ledger='~/ledger',
        **given)}
    for name, own in (('site_page', {'port': 9000}), ('capture_ledger', {
            'folder': '/home/robot/ledger'}), ('quality_log', {'bag': '/home/robot/run'})):
        node = started[name]
        node._perform_substitutions(launch.LaunchContext())
        last, is_file = node._Node__expanded_parameter_arguments[-1]
        # ROS 2 prefers a section with the full name of a node to one with a wildcard.
        (section, values), = yaml.safe_load(Path(last).read_text()).items()
        assert is_file and section == f'{robot}/{name}'
        assert own.items() <= values['ros__parameters'].items()


def test_one_process_runs_both_monitors_and_the_gate_where_that_is_asked_for():
    assert executables(described(streams=STREAMS, composed='true', relay='true')) == [
        'monitor', 'capture_relay']


@pytest.mark.parametrize('given, robot', [({}, ''), ({'namespace': 'north'}, '/north'),
                                          ({'namespace': '/plant/north/'}, '/plant/north')])
def test_every_node_has_its_enclave(given, robot):
    for node in described(streams=STREAMS, relay='true', **given):
        arguments = [part[0].text for part in node.cmd[1:] if part and hasattr(part[0], 'text')]
        enclave = arguments[arguments.index('--enclave') + 1]
        assert enclave == f'{robot}/mapping_qa/{node.node_executable}'


def test_the_cameras_are_looked_at_only_where_the_file_asks_for_it(tmp_path):
    checked = tmp_path / 'checked.yaml'
    checked.write_text(Path(STREAMS).read_text() + '    check_cameras: true\n')
    assert executables(described(streams=str(checked))) == [
        'sync_monitor', 'pose_monitor', 'capture_gate', 'camera_monitor']


@pytest.mark.parametrize('arguments, text', [
    ({'streams': '/no/such.yaml'}, '/no/such.yaml: cannot be read: No such file'),
    ({'streams': STREAMS, 'profile': 'swimming'}, 'profile swimming: not known; the package has'),
    ({'streams': STREAMS, 'record': '/tmp'}, 'record: /tmp exists already'),
    ({'file': REPLAY, 'streams': '/no/such.yaml', 'bag': '/tmp'}, '/no/such.yaml: cannot be read'),
    ({'file': REPLAY, 'streams': STREAMS, 'bag': '/no/such_bag'},
     '/no/such_bag: there is no such bag'),
    ({'file': REPLAY, 'streams': STREAMS, 'bag': '/tmp', 'rate': 'fast'},
     "rate: found 'fast', expected a number above 0 to 100"),
    ({'streams': STREAMS, 'relay': 'yes'}, 'relay'),
    ({'streams': STREAMS, 'page': 'true', 'page_port': 'http'},
     "page_port: found 'http', expected a whole number from 0 to 65535"),
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


@pytest.fixture
def replayed(tmp_path, monkeypatch):
    player = tmp_path / 'ros2'
    player.write_text('#!/bin/sh\n')
    player.chmod(0o755)
    monkeypatch.setenv('PATH', str(tmp_path), prepend=':')

    def words(**given):
        started = described(REPLAY, bag=str(tmp_path), **given)
        play = next(entity for entity in started if hasattr(entity, 'cmd'))
        return [''.join(part.text for part in word) for word in play.cmd]
    return words


def test_a_replay_plays_the_streams_alone_and_on_simulated_time(tmp_path, replayed):
    words = replayed(streams=STREAMS, rate='2.0')
    assert words[:4] == ['ros2', 'bag', 'play', str(tmp_path)]
    assert words[words.index('--rate') + 1] == '2.0' and '--clock' in words
    topics = words[words.index('--topics') + 1:]
    assert topics == ['/unit/odometry', '/body/imu', '/front/camera_info', '/front/image_raw',
                      '/roof/points']


@pytest.mark.parametrize('given, robot', [({}, ''), ({'namespace': 'north'}, '/north'),
                                          ({'namespace': '/plant/north/'}, '/plant/north')])
def test_a_replay_plays_the_streams_of_a_robot_in_a_namespace(given, robot, tmp_path, replayed):
    streams = tmp_path / 'streams.yaml'
    streams.write_text(Path(STREAMS).read_text().replace('topic: /unit/', 'topic: unit/'))
    words = replayed(streams=str(streams), **given)
    assert words[words.index('--topics') + 1:][:2] == [f'{robot}/unit/odometry', '/body/imu']


def test_a_replay_hands_the_namespace_to_the_nodes():
    from launch.actions import IncludeLaunchDescription
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    description = PythonLaunchDescriptionSource(REPLAY).get_launch_description(
        launch.LaunchContext())
    included, = (entity for entity in description.entities
                 if isinstance(entity, IncludeLaunchDescription))
    context = launch.LaunchContext()
    context.launch_configurations['namespace'] = 'north'
    assert dict(included.launch_arguments)['namespace'].perform(context) == 'north'


@pytest.mark.parametrize('given, own', [
    ({}, {'scenario': 'demo'}),
    ({'scenario': 'walk', 'seed': '7'}, {'scenario': 'walk', 'seed': 7})])
def test_the_rig_gets_the_seed_that_is_given_and_else_takes_its_scenarios(given, own):
    from launch_ros.utilities import evaluate_parameters
    context = launch.LaunchContext()
    context.launch_configurations.update({'scenario': 'demo', 'seed': '', **given})
    rig, = (node for node in described(RIG, **given)
            if hasattr(node, 'node_executable'))
    assert list(evaluate_parameters(context, rig._Node__parameters)) == [own]
