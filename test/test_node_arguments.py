# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a node is started with is understood whole, or refused in one line with status 2."""

import signal

import pytest
from robot_mapping_qa.resources import share_file

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
    (['--ros-args', '--params-file', '/no/such.yaml'], "'--params-file /no/such.yaml'"),
])
def test_arguments_that_mean_nothing_are_refused(run, arguments, line):
    status, lines = run(lambda: pytest.fail('no node may start'), *arguments)
    assert status == 2
    assert len(lines) == 1 and line in lines[0]


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
    ('start_delay_s:=true', 'rig: start_delay_s: found true, expected a number of seconds'),
])
def test_rig_refuses_parameters_that_it_does_not_know(run, rule, line):
    from robot_mapping_qa.nodes.rig import RigNode
    assert run(RigNode, '--ros-args', '-p', rule) == (2, [line])


@pytest.mark.parametrize('rules, line', [
    (['bagg:=x'], 'bagg: unknown key; did you mean bag?'),
    (['bag.name:=x'], "bag: a group (name) that is not listed in 'streams'"),
    (['bag:=x', 'pictures:=5'], 'pictures: found 5, expected true or false'),
    (['bag:=5'], 'bag: found 5, expected the folder of the new bag, such as -p bag:=run_1'),
    ([], "bag: found the text '', expected the folder of the new bag, such as -p bag:=run_1"),
])
def test_recorder_refuses_parameters_that_it_does_not_know(run, rules, line):
    from robot_mapping_qa.nodes.quality_log import QualityLog
    given = [item for rule in rules for item in ('-p', rule)]
    status, lines = run(QualityLog, '--ros-args', '--params-file', STREAMS, *given)
    assert status == 2
    assert lines[-1] == f'parameters of quality_log: {line}'


def test_gate_refuses_a_switch_that_is_none(run):
    from robot_mapping_qa.nodes.capture_gate import CaptureGate
    status, lines = run(CaptureGate, '--ros-args', '--params-file', STREAMS,
                        '-p', 'needs_recording:=5')
    assert status == 2
    assert lines[-1] == ('parameters of capture_gate: needs_recording: found 5, expected true or '
                         'false')


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


def test_camera_monitor_says_that_nobody_asked_for_it(run):
    from robot_mapping_qa.nodes.camera_monitor import CameraMonitorNode
    status, lines = run(CameraMonitorNode, '--ros-args', '--params-file', STREAMS)
    assert status == 2
    assert lines[-1] == (
        'parameters of camera_monitor: check_cameras: found false, expected true: the gate does '
        'not listen to this node without it')
