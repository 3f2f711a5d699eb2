# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A recording on a disk that fills up: it warns, it stops, and it keeps what it has."""

import os
import shutil
import subprocess
import sys
import threading
import time

import pytest
from robot_mapping_qa.bag import space_reserve
from robot_mapping_qa.bag.background_recorder import BackgroundRecorder, RecordingState
from robot_mapping_qa.bag.definitions import standard_definition
from robot_mapping_qa.bag.disk_space import DiskLimits, RateOfGrowth, remaining_s
from robot_mapping_qa.bag.recorder import Recorder
from robot_mapping_qa.bag.recording_verdict import (
    HANGING_S, recording_text, RecordingWatch)
from robot_mapping_qa.bag.truncated import TruncatedMcap
from robot_mapping_qa.verdicts import Severity
from rosbags.rosbag2 import Reader

MB = 1_000_000
DISK_MB = 32
MESSAGE_BYTES = 100_000
S = 1_000_000_000


@pytest.fixture
def disk(tmp_path):
    """Return the folder of a small disk of its own."""
    folder = tmp_path / 'disk'
    folder.mkdir()
    mount = shutil.which('mount')
    done = mount and subprocess.run(
        [mount, '-t', 'tmpfs', '-o', f'size={DISK_MB}m', 'tmpfs', str(folder)],
        capture_output=True, text=True)
    if not done or done.returncode:
        pytest.skip('mounting a small disk is not permitted here: '
                    + (done.stderr.strip() if done else 'there is no mount'))
    yield folder
    subprocess.run(['umount', '--lazy', str(folder)], check=True)


def recording(bag, stop_bytes=0, warn_s=0.0):
    recorder = BackgroundRecorder(
        Recorder(bag), standard_definition, DiskLimits(warn_s, stop_bytes))
    recorder.add_topic('/blob', 'std_msgs/msg/ByteMultiArray')
    return recorder


def fill(recorder, least=0, seconds=60.0):
    """Write numbered messages until the recording stops; return how many were given."""
    noise = os.urandom(MESSAGE_BYTES)
    count = 0
    deadline = time.monotonic() + seconds
    while recorder.state.stopped is None or count < least:
        assert time.monotonic() < deadline
        recorder.write('/blob', count, b'\0\1\0\0' + count.to_bytes(4, 'little') + noise)
        count += 1
        time.sleep(0.002)
    return count


def numbers(path):
    with Reader(path) as reader:
        return [int.from_bytes(data[4:8], 'little') for _, _, data in reader.messages()]


def test_full_disk_ends_the_recording_with_every_message_that_was_written(disk):
    recorder = recording(disk / 'bag')
    given = fill(recorder)
    state = recorder.state
    assert state.stopped == 'the disk is full'
    assert numbers(disk / 'bag') == list(range(state.messages))
    # Nothing but the space that was kept back is unused, and the index went in there.
    assert state.written_bytes > DISK_MB * MB - space_reserve.RESERVE_BYTES
    assert (disk / 'bag' / 'metadata.yaml').is_file()
    # It goes on without a fuss, and counts.
    recorder.write('/blob', given, b'\0\1\0\0late')
    recorder.close()
    assert recorder.state.messages == state.messages


def test_recording_stops_before_the_disk_is_full_and_says_why(disk):
    recorder = recording(disk / 'bag', stop_bytes=10 * MB)
    fill(recorder)
    recorder.close()
    assert recorder.state.stopped.endswith('MB are left on the disk (limit 10 MB)')
    assert numbers(disk / 'bag') == list(range(recorder.state.messages))


def test_without_room_for_the_index_the_flushed_messages_are_kept(disk, monkeypatch):
    monkeypatch.setattr(space_reserve, 'RESERVE_BYTES', 4096)
    recorder = recording(disk / 'bag')
    fill(recorder)
    recorder.close()
    assert recorder.state.stopped == 'the bag cannot be written: No space left on device'
    kept = numbers(TruncatedMcap(disk / 'bag' / 'bag_0.mcap'))
    assert kept == list(range(len(kept)))
    # All but the chunk that found no room: 1 MB, and the message that closed it.
    assert len(kept) * MESSAGE_BYTES > (DISK_MB - 4) * MB


def test_disk_that_is_full_already_is_refused(disk):
    (disk / 'others').write_bytes(bytes((DISK_MB - 8) * 1024 * 1024))
    with pytest.raises(RuntimeError, match='No space left on device'):
        Recorder(disk / 'bag')
    assert not (disk / 'bag').exists()


def test_slow_disk_costs_messages_and_holds_nobody_up(tmp_path, monkeypatch):
    gate = threading.Event()
    monkeypatch.setattr(Recorder, 'write', lambda *_: gate.wait())
    recorder = BackgroundRecorder(Recorder(tmp_path / 'bag'), standard_definition,
                                  DiskLimits(0.0, 0), backlog_bytes=10_000)
    for number in range(100):
        recorder.write('/blob', number, bytes(1000))
    gate.set()
    recorder.close()
    # Ten fit, and one more where the first was already taken by the thread.
    assert recorder.state.lost in (89, 90)


def wait_for(condition, seconds=30.0):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_disk_that_hangs_is_told_while_it_hangs(tmp_path, monkeypatch):
    answer, asked = threading.Event(), threading.Event()

    def hang(_recorder):
        asked.set()
        answer.wait()
    monkeypatch.setattr(Recorder, 'flush', hang)
    limits = DiskLimits(0.0, 0)
    recorder = BackgroundRecorder(Recorder(tmp_path / 'bag'), standard_definition, limits,
                                  backlog_bytes=10_000)
    recorder.add_topic('/blob', 'std_msgs/msg/ByteMultiArray')
    watch = RecordingWatch(limits)
    asked.wait()
    for number in range(100):
        recorder.write('/blob', number, bytes(1000))
    assert recorder.state.lost == 90
    given_s = time.monotonic()
    wait_for(lambda: recorder.state.turn_s > HANGING_S)
    waited_s = time.monotonic() - given_s
    assert recorder.state.behind_s >= waited_s
    verdict = watch.verdict(recorder.state, 0)
    assert [(c.key, c.severity) for c in verdict.conditions][:2] == [
        ('recording/hanging', Severity.HARD), ('recording/losing', Severity.SOFT)]
    answer.set()
    wait_for(lambda: recorder.state.turn_s < HANGING_S and recorder.state.behind_s == 0.0)
    assert watch.verdict(recorder.state, 6 * S).conditions == ()
    assert recorder.close()
    assert len(numbers(tmp_path / 'bag')) == 10


def test_process_ends_though_its_disk_hangs(tmp_path):
    child = f"""
import os, threading
from robot_mapping_qa.bag import background_recorder
from robot_mapping_qa.bag.definitions import standard_definition
from robot_mapping_qa.bag.disk_space import DiskLimits
from robot_mapping_qa.bag.recorder import Recorder
background_recorder.CLOSE_S = 1.0
recorder = background_recorder.BackgroundRecorder(
    Recorder({str(tmp_path / 'bag')!r}), standard_definition, DiskLimits(0.0, 0))
os.fsync = lambda _file: threading.Event().wait()
recorder.add_topic('/blob', 'std_msgs/msg/ByteMultiArray')
recorder.write('/blob', 0, bytes(1000))
print(recorder.close())
"""
    ended = subprocess.run([sys.executable, '-c', child], capture_output=True, text=True,
                           timeout=60)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, 'False\n', '')


def test_error_of_any_kind_ends_the_recording_and_not_the_process(tmp_path):
    recorder = recording(tmp_path / 'bag')
    recorder.write('/blob', 0, b'\0\1\0\0good')
    # A time before 1970 has no place in an MCAP file.
    recorder.write('/blob', -1, b'\0\1\0\0bad')
    recorder.close()
    assert recorder.state.stopped.startswith('the bag cannot be written: ')


def test_rate_is_a_mean_over_half_a_minute():
    growth = RateOfGrowth()
    growth.add(0.0, 0)
    growth.add(1.0, 1000)
    assert growth.bytes_per_s is None
    for second in range(2, 100):
        growth.add(float(second), 1000 if second < 50 else 1000 + 300 * (second - 49))
    assert growth.bytes_per_s == pytest.approx(300.0)


def test_remaining_time_counts_down_to_the_limit():
    limits = DiskLimits(600.0, 500 * MB)
    assert remaining_s(1100 * MB, 2e6, limits) == pytest.approx(300.0)
    assert remaining_s(100 * MB, 2e6, limits) == 0.0
    assert remaining_s(1100 * MB, None, limits) is None
    assert remaining_s(1100 * MB, 0.0, limits) is None
    assert remaining_s(None, 2e6, limits) is None


class TestVerdict:
    """What the gate is told."""

    LIMITS = DiskLimits(600.0, 500 * MB)

    def conditions(self, *states):
        watch = RecordingWatch(self.LIMITS)
        for second, state in enumerate(states):
            verdict = watch.verdict(state, second * S)
        return verdict.conditions

    def test_healthy_recording_holds_nothing_against_a_capture(self):
        state = RecordingState(50_000 * MB, 0, 1e6, 49_500.0)
        assert self.conditions(state) == ()
        assert recording_text(state) == 'recording, 50.0 GB free, 1.00 MB/s, 825 min left'

    def test_disk_that_is_nearly_full_is_a_notice(self):
        condition, = self.conditions(RecordingState(700 * MB, 0, 1e6, 200.0))
        assert (condition.key, condition.severity) == ('recording/disk_low', Severity.NOTICE)
        assert condition.text == 'the disk is full in 3 min at the present rate'

    def test_stopped_recording_closes_the_gate_with_its_reason(self):
        ended = RecordingState(stopped='480 MB are left on the disk (limit 500 MB)')
        condition, = self.conditions(RecordingState(), ended, ended)
        assert (condition.key, condition.severity) == ('recording/stopped', Severity.HARD)
        assert condition.text == (
            'the recording has stopped: 480 MB are left on the disk (limit 500 MB)')
        assert condition.onset_ns == S

    def test_lost_messages_hold_the_gate_until_none_was_lost_for_a_while(self):
        losing = RecordingState(lost=3)
        condition, = self.conditions(RecordingState(), losing)
        assert (condition.key, condition.severity) == ('recording/losing', Severity.SOFT)
        assert self.conditions(RecordingState(), *[losing] * 7) == ()

    def test_recording_that_is_behind_is_a_notice(self):
        assert self.conditions(RecordingState(behind_s=0.4)) == ()
        condition, = self.conditions(RecordingState(behind_s=2.44))
        assert (condition.key, condition.severity) == ('recording/behind', Severity.NOTICE)
        assert condition.text.startswith('the recording is 2.4 s behind')

    def test_disk_that_hangs_closes_the_gate(self):
        assert self.conditions(RecordingState(turn_s=1.9)) == ()
        condition, = self.conditions(RecordingState(turn_s=3.2))
        assert (condition.key, condition.severity) == ('recording/hanging', Severity.HARD)
        assert condition.text == (
            'the recording hangs: the disk has not answered for 3 s')

    def test_unknown_free_space_is_told_as_such(self):
        assert recording_text(RecordingState()) == (
            'recording; the free space on the disk is not known')
