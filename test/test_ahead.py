# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A second process reads contents ahead: same results, in order, and gone at the end."""

from dataclasses import replace
import os
from pathlib import Path
import signal
import subprocess
import sys
import time

import pytest
from robot_mapping_qa.bag.ahead import Ahead, Content, contents_of, MOST_BYTES
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.configuration.model import Stream
from robot_mapping_qa.contents import cloud_reader
from robot_mapping_qa.messages.serialized import MalformedMessage
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario
from robot_mapping_qa.rig.bag_writer import write_bag

MS = 1_000_000
CLOUDS = Stream('lidar', '/points', 'sensor_msgs/msg/PointCloud2', 'geometry')
LIGHT = Stream('imu', '/imu', 'sensor_msgs/msg/Imu', 'motion')
# The shell tells the number of the process that started it: who has read the message.
WHO = subprocess.getoutput
ASK = b'echo $PPID'
EVERY_NS = 400 * MS


def recording(count=200, kind=ASK):
    """Return a cloud every 100 ms with a light message behind it; no two are one object."""
    for number in range(count):
        log_ns = number * 100 * MS
        yield CLOUDS, log_ns, kind + b' ' * number
        yield LIGHT, log_ns + MS, b'%d' % number


def is_there(process):
    return process is not None and process.poll() is None


class Consumer:
    """Wants a cloud every so often, as the monitor does, and waits for the other process."""

    def __init__(self, ahead):
        self.ahead, self.wanted_ns, self.told = ahead, None, []

    def take(self, stream, log_ns, data, read=WHO):
        if stream is CLOUDS and (
                self.wanted_ns is None or log_ns - self.wanted_ns >= EVERY_NS):
            self.wanted_ns = log_ns
            self.ahead.work(data, read, self.told.append)

    def wait(self):
        deadline = time.monotonic() + 60.0
        connection = self.ahead._connection
        while connection is not None and not self.ahead._is_ready \
                and time.monotonic() < deadline:
            if connection.poll(0.1):
                self.ahead._receive()


def compute(data):
    """Take some computing time to read a message."""
    begin_s = time.process_time()
    while time.process_time() - begin_s < 0.02:
        pass
    return len(data)


def test_the_process_starts_once_reading_here_has_taken_its_time():
    for after_s, starts in ((60.0, False), (0.1, True)):
        with Ahead({'lidar': Content(compute, EVERY_NS)}, after_s) as ahead:
            consumer, passed = Consumer(ahead), []
            for message in ahead.messages(recording()):
                passed.append(message)
                consumer.take(*message, compute)
            process = ahead._process
        assert passed == list(recording())
        assert consumer.told == [
            len(data) for stream, log_ns, data in recording()
            if stream is CLOUDS and log_ns % EVERY_NS == 0]
        assert (process is not None) == starts


def test_messages_come_in_order_and_the_other_process_reads_clouds():
    with Ahead({'lidar': Content(WHO, EVERY_NS)}) as ahead:
        consumer, passed = Consumer(ahead), []
        for message in ahead.messages(recording()):
            consumer.wait()
            # Time in which the other process can read.
            time.sleep(0.002)
            passed.append(message)
            consumer.take(*message)
        process = ahead._process
    assert passed == list(recording())
    assert len(consumer.told) == 50
    here, there = str(os.getpid()), str(process.pid)
    assert set(consumer.told) <= {here, there}
    assert consumer.told.count(there) > 10
    assert process.returncode == -signal.SIGKILL


def test_without_contents_no_process_is_started():
    with Ahead({}) as ahead:
        assert list(ahead.messages(recording(5))) == list(recording(5))
        assert ahead._process is None


def test_process_that_dies_is_done_without():
    with Ahead({'lidar': Content(WHO, EVERY_NS)}) as ahead:
        consumer = Consumer(ahead)
        for number, message in enumerate(ahead.messages(recording())):
            consumer.wait()
            if number == 100:
                ahead._process.kill()
                ahead._process.wait()
            consumer.take(*message)
    assert len(consumer.told) == 50
    assert set(consumer.told[20:]) == {str(os.getpid())}


def test_process_that_cannot_be_started_is_done_without(monkeypatch):
    monkeypatch.setattr(sys, 'executable', '/no/such/python')
    with Ahead({'lidar': Content(WHO, EVERY_NS)}) as ahead:
        consumer = Consumer(ahead)
        for message in ahead.messages(recording()):
            consumer.take(*message)
    assert consumer.told == [str(os.getpid())] * 50


@pytest.mark.parametrize('error', [KeyboardInterrupt, ValueError])
def test_no_process_is_left_behind_an_error(error):
    with pytest.raises(error):
        with Ahead({'lidar': Content(WHO, EVERY_NS)}) as ahead:
            for number, message in enumerate(ahead.messages(recording())):
                process = ahead._process
                if number == 50:
                    assert is_there(process)
                    raise error
    assert not is_there(process)


def test_what_was_not_foreseen_is_read_here_and_foreseen_from_then_on():
    begun = []
    with Ahead({'lidar': Content(WHO, EVERY_NS)}) as ahead:
        consumer = Consumer(ahead)
        for stream, log_ns, data in ahead.messages(recording()):
            consumer.wait()
            if stream is CLOUDS and log_ns == 2_000 * MS:
                # As after an unusable cloud, the next one is wanted at once.
                consumer.wanted_ns = None
            if ahead._now.stream is CLOUDS and consumer.wanted_ns is not None \
                    and log_ns - consumer.wanted_ns >= EVERY_NS:
                begun.append(ahead._last_ns['lidar'] >= log_ns)
            consumer.take(stream, log_ns, data)
    assert len(begun) > 40
    assert all(begun)


def test_only_a_short_stretch_waits():
    sent_ns = []

    def source():
        for message in recording(kind=bytes(MOST_BYTES // 3)):
            sent_ns.append(message[1])
            yield message
    with Ahead({'lidar': Content(len, EVERY_NS)}) as ahead:
        for _, log_ns, _ in ahead.messages(source()):
            assert sent_ns[-1] - log_ns <= EVERY_NS
            assert ahead._bytes <= MOST_BYTES
            if len(sent_ns) > 40:
                break


def test_bytes_that_are_no_cloud_give_the_same_refusal_there():
    read = cloud_reader(GeometryLimits())
    with Ahead({'lidar': Content(read, EVERY_NS)}) as ahead:
        consumer = Consumer(ahead)
        for message in ahead.messages(recording(20, b'no cloud')):
            consumer.wait()
            time.sleep(0.002)
            consumer.take(*message, read=read)
    assert {str(told) for told in consumer.told} == {str(read(b'no cloud'))}
    assert {type(told) for told in consumer.told} == {MalformedMessage}


@pytest.fixture(scope='module')
def bag(tmp_path_factory):
    path = tmp_path_factory.mktemp('ahead') / 'bag'
    write_bag(replace(load_scenario('healthy'), duration_s=8.0), path)
    return path


@pytest.fixture(scope='module')
def configuration(tmp_path_factory):
    path = tmp_path_factory.mktemp('configuration') / 'robot.yaml'
    path.write_text(share_file('config/streams.yaml').read_text()
                    + '\n    check_cameras: true\n')
    return load_configuration(path)


def files(folder):
    return {path.relative_to(folder): path.read_bytes()
            for path in sorted(folder.rglob('*')) if path.is_file()}


def test_one_process_and_two_write_the_same_files(tmp_path, bag, configuration):
    assert set(contents_of(configuration)) == {'roof_lidar', 'front_camera/picture'}
    assess(bag, configuration, tmp_path / 'one', workers=1)
    assess(bag, configuration, tmp_path / 'two', workers=2)
    one = files(tmp_path / 'one')
    assert len(one) >= 6
    assert one == files(tmp_path / 'two')


def test_process_ends_with_the_one_that_started_it(tmp_path):
    code = ('import sys, time; sys.path.insert(0, sys.argv[1]);'
            'from test_ahead import *\n'
            'with Ahead({"lidar": Content(WHO, EVERY_NS)}) as ahead:\n'
            '    for _ in ahead.messages(recording()):\n'
            '        print(ahead._process.pid, flush=True); time.sleep(60)')
    parent = subprocess.Popen([sys.executable, '-c', code, str(Path(__file__).parent)],
                              stdout=subprocess.PIPE, text=True)
    with parent:
        child = int(parent.stdout.readline())
        parent.kill()
    deadline = time.monotonic() + 60.0
    while Path(f'/proc/{child}').exists() and _state(child) != 'Z' \
            and time.monotonic() < deadline:
        time.sleep(0.05)
    # Where nobody waits for orphans it stays as an entry without a process.
    assert not Path(f'/proc/{child}').exists() or _state(child) == 'Z'


def _state(number):
    try:
        return Path(f'/proc/{number}/stat').read_text().rpartition(')')[2].split()[0]
    except OSError:
        return 'Z'
