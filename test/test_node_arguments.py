# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a node is started with is understood whole, or refused in one line with status 2."""

import os
from pathlib import Path
import re
import signal

import pytest
from robot_mapping_qa.resources import share_file
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

STREAMS = str(share_file('config/demo_streams.yaml'))
DOMAIN = 159


@pytest.fixture
def run(monkeypatch, capfd):
    """Return a function that runs a node to its end; it gives the status and what was printed."""
    monkeypatch.setenv('ROS_DOMAIN_ID', str(DOMAIN))
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}

    def run_to_the_end(make_node, *arguments):
        from robot_mapping_qa.nodes.running import run_node
        status = run_node(make_node, ['/bin/node', *arguments])
        lines = capfd.readouterr().err.splitlines()
        return status, [line for line in lines if not line.startswith('[INFO]')]
    yield run_to_the_end
    for number, handler in handlers.items():
        signal.signal(number, handler)


@pytest.mark.parametrize('arguments, line', [
    (['walk'], "arguments: unknown ['walk'], expected node --ros-args --params-file FILE"),
    (['--ros-args', '--speed'], "arguments: unknown ['--speed'], expected node --ros-args"),
    (['--ros-args', '-p', 'seed'], "Couldn't parse parameter override rule: '-p seed'"),
    (['--ros-args', '-p', 'seed:=[]'], 'arguments: seed: found an empty list, to which ROS 2'),
    (['--ros-args', '--params-file', '/no/such.yaml'],
     '/no/such.yaml: cannot be read: No such file or directory'),
])
def test_arguments_that_mean_nothing_are_refused(run, arguments, line):
    status, lines = run(lambda: pytest.fail('no node may start'), *arguments)
    assert status == 2
    assert len(lines) == 1 and line in lines[0]


@pytest.mark.parametrize('text, line', [
    ('/**:\n  ros__parameters:\n\ta: 1\n', 'line 3: not valid YAML: found character'),
    ('a: 1\n', "a: stands outside of 'ros__parameters:'")])
def test_a_file_that_ros_cannot_read_is_named_with_what_is_wrong(run, tmp_path, text, line):
    file = tmp_path / 'streams.yaml'
    file.write_text(text)
    status, lines = run(lambda: pytest.fail('no node may start'),
                        '--ros-args', '--params-file', str(file))
    assert (status, len(lines)) == (2, 1)
    assert lines[0].startswith(f'{file}: {line}')


def changed_streams(tmp_path, **changes):
    """Return a file like that of the demo, with values of its own."""
    parameters = yaml.safe_load(Path(STREAMS).read_text())
    parameters['/**']['ros__parameters'].update(changes)
    file = tmp_path / 'changed.yaml'
    file.write_text(yaml.safe_dump(parameters))
    return str(file)


def test_a_value_that_one_file_gives_is_refused_with_the_file(run, tmp_path):
    from robot_mapping_qa.nodes.sync_monitor import SyncMonitor
    wrong = changed_streams(tmp_path, point_error_limit_m=-1, streams=['unit_odometry', 'imu'])
    other = tmp_path / 'more.yaml'
    other.write_text('/**: {ros__parameters: {imu: {topic: /a, role: motion}}}')
    status, lines = run(SyncMonitor, '--ros-args', '--params-file', wrong,
                        '--params-file', str(other))
    assert status == 2
    assert f'{wrong}: point_error_limit_m: found -1, expected a number above 0 m to 100 m' in lines
    assert f'{other}: imu.type: missing; every stream needs it' in lines


@pytest.mark.parametrize('more', [
    ['-p', 'point_error_limit_m:=-2'], ['-p', 'sync_monitor:point_error_limit_m:=-2'],
    ['--params-file', 'launch_params_x'], ['--params-file', 'profile.yaml']])
def test_a_value_that_something_else_gives_as_well_is_refused_with_the_node(
        run, tmp_path, monkeypatch, more):
    from robot_mapping_qa.nodes.sync_monitor import SyncMonitor
    monkeypatch.chdir(tmp_path)
    for name in ('launch_params_x', 'profile.yaml'):
        Path(name).write_text('/**: {ros__parameters: {point_error_limit_m: -2}}')
    status, lines = run(SyncMonitor, '--ros-args', '--params-file',
                        changed_streams(tmp_path, point_error_limit_m=-1), *more)
    assert status == 2
    assert lines[-1].startswith('parameters of sync_monitor: point_error_limit_m: found -2')


def test_help_is_that_of_the_node(run, capfd):
    from robot_mapping_qa.nodes.running import run_node

    def said(name):
        assert run_node(lambda: pytest.fail('no node may start'), [name, '--help']) == 0
        return capfd.readouterr().out
    rig = said('/ws/lib/rig')
    assert rig.startswith('usage: rig --ros-args [-p NAME:=VALUE]\n') and 'FILE' not in rig
    assert re.search(r'^  truth_file +a JSON file', rig, re.MULTILINE)
    gate = said('/nodes/capture_gate.py')
    assert gate.startswith('usage: capture_gate --ros-args --params-file FILE [-p NAME:=VALUE]\n')
    assert 'hold_reason' in gate and 'config/PARAMETERS.md' in gate


def test_a_ledger_is_not_written_into_a_folder_of_something_else(run, tmp_path):
    from robot_mapping_qa.nodes.capture_ledger import CaptureLedger
    (tmp_path / 'run_1_0.mcap').touch()
    status, lines = run(CaptureLedger, '--ros-args', '--params-file', STREAMS,
                        '-p', f'folder:={tmp_path}')
    assert (status, lines) == (2, [
        f'parameters of capture_ledger: folder: {tmp_path}: found run_1_0.mcap in it, expected a '
        "folder of the ledger's own: a new one, an empty one, or that of a ledger"])
    assert [path.name for path in tmp_path.iterdir()] == ['run_1_0.mcap']


def test_a_tilde_is_the_home_folder(tmp_path, monkeypatch):
    from types import SimpleNamespace

    from robot_mapping_qa.nodes.own_parameters import OwnParameters
    monkeypatch.setenv('HOME', str(tmp_path))
    values = {'bag': '~/run', 'truth_file': '', 'folder': '/data/run'}
    own = OwnParameters(SimpleNamespace(
        get_name=lambda: 'node', get_parameter=lambda name: SimpleNamespace(value=values[name])))
    assert own.needed_path('bag', 'a folder') == tmp_path / 'run'
    assert own.path('truth_file', 'a path') is None
    assert own.path('folder', 'a path') == Path('/data/run')


def test_a_key_given_twice_is_refused_with_its_line(run, tmp_path):
    file = tmp_path / 'streams.yaml'
    file.write_text('/**:\n  ros__parameters:\n    a: 1\n    a: 2\n')
    status, lines = run(lambda: pytest.fail('no node may start'),
                        '--ros-args', '--params-file', str(file))
    assert (status, lines) == (2, [f'{file}: line 4: a is given twice, first in line 3'])


@pytest.mark.parametrize('rule, line', [
    ('scenari:=x', 'rig: scenari: unknown parameter, expected one of scenario, seed, '
                   'start_delay_s, truth_file'),
    ('seed.first:=1', 'rig: seed.first: unknown parameter, expected one of scenario, seed, '
                      'start_delay_s, truth_file'),
    ('seed:=one', "rig: seed: found the text 'one', expected a whole number of 0 or more"),
    ('start_delay_s:=true', 'rig: start_delay_s: found true, expected a number of seconds, 0 to '
                            '3600'),
])
def test_rig_refuses_parameters_that_it_does_not_know(run, rule, line):
    from robot_mapping_qa.nodes.rig import RigNode
    assert run(RigNode, '--ros-args', '-p', rule) == (2, [line])


@pytest.mark.parametrize('rules, line', [
    (['bagg:=x'], 'bagg: unknown key; did you mean bag?'),
    (['bag.name:=x'], "bag: a group (name) that is not listed in 'streams'"),
    (['bag:=x', 'pictures:=5'], 'pictures: found 5, expected true or false'),
    (['bag:=5'], 'bag: found 5, expected the folder of the new bag, such as -p bag:=run_1'),
    ([], 'bag: found nothing, expected the folder of the new bag, such as -p bag:=run_1'),
    (['bag:=x', 'split_minutes:=1e300'],
     'split_minutes: found 1e+300, expected a number from 0.01 to 1e+06'),
    (['bag:=x', 'split_mb:=.nan'], 'split_mb: found nan, expected a number from 1 to 1e+12'),
    (['bag:=x', 'disk_warn_minutes:=.inf'],
     'disk_warn_minutes: found inf, expected a number from 0 to 1e+06'),
    (['bag:=x', 'disk_stop_mb:=1e304'],
     'disk_stop_mb: found 1e+304, expected a number from 0 to 1e+12'),
])
def test_recorder_refuses_parameters_that_it_does_not_know(run, rules, line):
    from robot_mapping_qa.nodes.quality_log import QualityLog
    given = [item for rule in rules for item in ('-p', rule)]
    status, lines = run(QualityLog, '--ros-args', '--params-file', STREAMS, *given)
    assert status == 2
    assert lines[-1] == f'parameters of quality_log: {line}'


@pytest.mark.parametrize('rule, line', [
    ('needs_recording:=5', 'needs_recording: found 5, expected true or false'),
    ('hold_reason:=42', 'hold_reason: found 42, expected a text')])
def test_gate_refuses_what_it_could_not_use_when_it_matters(run, rule, line):
    from robot_mapping_qa.nodes.capture_gate import CaptureGate
    status, lines = run(CaptureGate, '--ros-args', '--params-file', STREAMS, '-p', rule)
    assert (status, lines) == (2, [f'parameters of capture_gate: {line}'])


@pytest.mark.parametrize('section', ['robot', '/unit/sync_monitor', '/**/capture_gate'])
def test_a_file_that_speaks_to_other_nodes_is_told_as_that(run, tmp_path, section):
    from robot_mapping_qa.nodes.sync_monitor import SyncMonitor
    parameters = yaml.safe_load(Path(STREAMS).read_text())
    file, other = tmp_path / 'streams.yaml', tmp_path / 'more.yaml'
    file.write_text(yaml.safe_dump({section: parameters['/**']}))
    other.write_text('/**: {ros__parameters: {gate: {off_delay_s: 1.0}}}')
    assert run(SyncMonitor, '--ros-args', '--params-file', str(file),
               '--params-file', str(other)) == (2, [
                   f"{file}: gives 'streams' under '{section}:', which does not speak to "
                   "sync_monitor: write '/**:'"])


def test_a_node_without_streams_says_how_to_give_them(run, tmp_path):
    from robot_mapping_qa.nodes.sync_monitor import SyncMonitor
    line = 'parameters of sync_monitor: streams: found nothing, expected a list of stream names'
    assert run(SyncMonitor, '--ros-args', '-p', 'working_distance_m:=2.0') == (
        2, [line + '; give one with --params-file'])
    file = tmp_path / 'streams.yaml'
    file.write_text('/**: {ros__parameters: {working_distance_m: 2.0}}')
    assert run(SyncMonitor, '--ros-args', '--params-file', str(file)) == (2, [line])


def test_relay_refuses_sets_of_one(run):
    from robot_mapping_qa.nodes.capture_relay import CaptureRelay
    assert run(CaptureRelay, '--ros-args', '--params-file', STREAMS,
               '-p', 'sets:=[unit_odometry]') == (2, [
                   'parameters of capture_relay: sets: found one stream, expected two or more'])


@pytest.mark.parametrize('rules, line', [
    (['port:=70000'], 'port: found 70000, expected a whole number from 0 to 65535'),
    (['port:=http'], "port: found the text 'http', expected a whole number from 0 to 65535"),
    (['listen_address:=robot'], "listen_address: found 'robot', expected an IP address of this "
     'computer such as 127.0.0.1, or 0.0.0.0 for all'),
    (['listen_address:=0.0.0.0'], 'listen_address: found 0.0.0.0, which others can reach; '
     'expected token_file beside it, or 127.0.0.1'),
    (['token_file:=/no/such'], 'token_file: /no/such cannot be read: No such file or directory'),
    (['host_names:=robot'], "host_names: found the text 'robot', expected a list of names"),
    (['host_names:=[1]'], 'host_names: found [1], expected a list of names'),
])
def test_page_refuses_what_would_open_it_to_everybody_or_to_nobody(run, rules, line):
    from robot_mapping_qa.nodes.site_page import SitePage
    given = [item for rule in rules for item in ('-p', rule)]
    status, lines = run(SitePage, '--ros-args', '--params-file', STREAMS, *given)
    assert status == 2
    assert lines[-1] == f'parameters of site_page: {line}'


@pytest.mark.parametrize('module, name', [
    ('sync_monitor', 'SyncMonitor'), ('quality_log', 'QualityLog')])
def test_a_stream_without_a_header_is_refused(run, tmp_path, module, name):
    from importlib import import_module
    parameters = yaml.safe_load(Path(STREAMS).read_text())
    streams = parameters['/**']['ros__parameters']
    streams['streams'].append('velocity')
    streams['velocity'] = {
        'topic': '/cmd_vel', 'type': 'geometry_msgs/msg/Twist', 'role': 'timing'}
    file = tmp_path / 'streams.yaml'
    file.write_text(yaml.safe_dump(parameters))
    node = getattr(import_module(f'robot_mapping_qa.nodes.{module}'), name)
    own = ['-p', f'bag:={tmp_path / "bag"}'] if module == 'quality_log' else []
    status, lines = run(node, '--ros-args', '--params-file', str(file), *own)
    assert status == 2
    assert lines == [
        f'parameters of {module}: /cmd_vel: found the type geometry_msgs/msg/Twist, expected '
        'one that begins with a header, whose stamp is what is watched']
    assert not (tmp_path / 'bag').exists()


def test_two_nodes_of_one_name_and_number_are_told_apart(run):
    from robot_mapping_qa.nodes.base import new_speaker
    one, other = new_speaker(), new_speaker()
    assert one != other
    for speaker in (one, other):
        assert re.fullmatch(rf'process {os.getpid()} on \S+ #[0-9a-f]{{8}}', speaker)


def test_camera_monitor_says_that_nobody_asked_for_it(run):
    from robot_mapping_qa.nodes.camera_monitor import CameraMonitorNode
    status, lines = run(CameraMonitorNode, '--ros-args', '--params-file', STREAMS)
    assert status == 2
    assert lines[-1] == (
        'parameters of camera_monitor: check_cameras: found false, expected true: the gate does '
        'not listen to this node without it')
