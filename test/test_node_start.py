# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A node that is interrupted while it starts ends without a word, with status 0."""

import os
import shutil
import signal
import subprocess
import sys

import pytest
from robot_mapping_qa.demo.processes import dds_environment
from robot_mapping_qa.resources import share_file

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 158
ARGUMENTS = ['--ros-args', '--params-file', str(share_file('config/demo_streams.yaml'))]
SIGNALS = [signal.SIGINT, signal.SIGTERM]


@pytest.fixture
def running(monkeypatch):
    """Return the module that runs nodes; the signals are given back at the end."""
    from robot_mapping_qa.nodes import running
    monkeypatch.setenv('ROS_DOMAIN_ID', str(DOMAIN))
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    handlers = {number: signal.getsignal(number) for number in SIGNALS}
    yield running
    for number, handler in handlers.items():
        signal.signal(number, handler)


@pytest.mark.parametrize('number', SIGNALS)
def test_a_signal_during_the_imports_ends_the_process_silently(tmp_path, number):
    stub = tmp_path / 'rclpy'
    stub.mkdir()
    (stub / '__init__.py').write_text(f'import os\nos.kill(os.getpid(), {int(number)})\n')
    environment = dds_environment(DOMAIN)
    environment['PYTHONPATH'] = os.pathsep.join(
        filter(None, (str(tmp_path), environment.get('PYTHONPATH'))))
    ended = subprocess.run(
        [sys.executable, '-m', 'robot_mapping_qa.nodes.sync_monitor', *ARGUMENTS],
        env=environment, capture_output=True, text=True, timeout=60)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, '', '')


@pytest.mark.parametrize('number', SIGNALS)
def test_a_signal_while_the_middleware_starts_makes_no_node(
        running, monkeypatch, capfd, number):
    init = rclpy.init

    def interrupted(**arguments):
        init(**arguments)
        os.kill(os.getpid(), number)
    monkeypatch.setattr(rclpy, 'init', interrupted)
    status = running.run_node(lambda: pytest.fail('no node may be made'), ['/bin/node'])
    assert status == 0
    assert capfd.readouterr().err == ''
    assert not rclpy.ok()


def test_a_signal_while_a_node_is_made_closes_that_node_and_makes_no_other(running):
    from rclpy.node import Node
    closed = []

    class Slow(Node):
        def __init__(self):
            super().__init__('slow')
            os.kill(os.getpid(), signal.SIGINT)

        def close(self):
            closed.append(self.get_name())
    status = running.run_nodes([Slow, lambda: pytest.fail('no other may be made')],
                               ['/bin/node'])
    assert (status, closed) == (0, ['slow'])


def test_a_node_that_cannot_end_well_says_so_and_keeps_no_other_from_ending(running, capfd):
    from rclpy.node import Node
    from robot_mapping_qa.configuration import ConfigurationError
    done = []

    class Ending(Node):
        def __init__(self, name, error):
            super().__init__(name)
            self.error = error

        def close(self):
            done.append(self.get_name())
            if self.error:
                raise self.error

        def destroy_node(self):
            done.append(f'{self.get_name()} destroyed')
            super().destroy_node()

    def last():
        node = Ending('third', ConfigurationError(['truth_file: it is gone'], 'rig'))
        os.kill(os.getpid(), signal.SIGINT)
        return node
    status = running.run_nodes(
        [lambda: Ending('first', None),
         lambda: Ending('second', OSError(28, 'No space left on device')), last], ['/bin/node'])
    assert (status, done) == (2, ['third', 'third destroyed', 'second', 'second destroyed',
                                  'first', 'first destroyed'])
    assert capfd.readouterr().err.splitlines() == [
        'rig: truth_file: it is gone', 'second: [Errno 28] No space left on device']
    assert not rclpy.ok()


def test_rig_whose_truth_has_nowhere_to_go_says_so_at_the_end(running, capfd, tmp_path):
    from robot_mapping_qa.nodes.rig import RigNode
    folder = tmp_path / 'truth'
    folder.mkdir()

    def rig():
        node = RigNode()
        shutil.rmtree(folder)
        os.kill(os.getpid(), signal.SIGINT)
        return node
    file = folder / 'truth.json'
    status = running.run_node(rig, ['/bin/rig', '--ros-args', '-p', f'truth_file:={file}'])
    lines = capfd.readouterr().err.splitlines()
    assert (status, [line for line in lines if not line.startswith('[INFO]')]) == (2, [
        f'rig: truth_file: {file} cannot be written: No such file or directory'])


def test_a_node_whose_end_is_a_fault_of_the_code_keeps_no_other_from_ending(running):
    from rclpy.node import Node
    closed = []

    class Ending(Node):
        def close(self):
            closed.append(self.get_name())
            if self.get_name() == 'second':
                os.kill(os.getpid(), signal.SIGINT)
                raise ZeroDivisionError

    def second():
        os.kill(os.getpid(), signal.SIGINT)
        return Ending('second')
    with pytest.raises(ZeroDivisionError):
        running.run_nodes([lambda: Ending('first'), second], ['/bin/node'])
    assert closed == ['second', 'first']
    assert not rclpy.ok()


def test_importing_the_nodes_leaves_the_signals_of_other_programs_alone():
    ended = subprocess.run(
        [sys.executable, '-c',
         'import signal, robot_mapping_qa.nodes\n'
         'print(signal.getsignal(signal.SIGINT) is signal.default_int_handler)'],
        capture_output=True, text=True, timeout=60)
    assert (ended.stdout, ended.stderr) == ('True\n', '')
