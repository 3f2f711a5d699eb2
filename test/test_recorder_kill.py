# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A recording whose process is killed loses at most its last second."""

import os
from pathlib import Path
import random
import subprocess
import sys
import time

from hand_made_bags import CONFIGURATION, ODOMETRY, Sent, write
from mcap.reader import make_reader
import pytest
from recording_child import PICTURE, X_M
from robot_mapping_qa.bag.assess_bag import main as assess_bag
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.bag.truncated import is_truncated_mcap, TruncatedMcap
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.messages.serialized import read_odometry
from rosbags.rosbag2 import Reader

LOST_S = 1.0
# RECORDER_KILLS=50 for the long study, about three minutes.
KILLS = int(os.environ.get('RECORDER_KILLS', '3'))


@pytest.fixture(scope='module')
def pose(tmp_path_factory):
    """Return a file with a serialized pose for the process that records."""
    folder = tmp_path_factory.mktemp('pose')
    with Reader(write(folder / 'bag', [Sent(ODOMETRY, 1, 1, X_M)], topics=[ODOMETRY])) as reader:
        _, _, data = next(reader.messages())
    (folder / 'pose').write_bytes(data)
    return folder / 'pose'


def record_and_kill(bag, pose, after_s):
    """Return the host time in ns of the kill."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name('recording_child.py')), str(bag),
         str(pose)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline() == 'recording\n'
        time.sleep(after_s)
    finally:
        process.kill()
        killed_ns = time.time_ns()
        process.wait()
        process.stdout.close()
    return killed_ns


def messages(bag):
    """Return log time and bytes of all messages by topic, file after file."""
    found = {ODOMETRY: [], PICTURE: []}
    for file in sorted(bag.glob('*.mcap'), key=lambda file: int(file.stem.rpartition('_')[2])):
        with Reader(TruncatedMcap(file) if is_truncated_mcap(file) else file) as reader:
            for connection, log_ns, data in reader.messages():
                found[connection.topic].append((log_ns, data))
    return found


def check_killed(bag, killed_ns):
    """Check what is left of a bag; return for how long before the kill nothing is left."""
    left = messages(bag)
    numbers = [read_odometry(data).position_m[0] for _, data in left[ODOMETRY]]
    assert numbers == list(range(len(numbers)))
    assert len(left[PICTURE]) >= len(numbers) // 5
    lost_s = [(killed_ns - topic[-1][0]) * 1e-9 for topic in left.values()]
    assert max(lost_s) < LOST_S
    return max(lost_s)


@pytest.fixture(scope='module')
def configuration(tmp_path_factory):
    file = tmp_path_factory.mktemp('configuration') / 'streams.yaml'
    file.write_text(CONFIGURATION)
    return file


@pytest.mark.parametrize('number', range(KILLS))
def test_killed_recording_loses_at_most_a_second(tmp_path, configuration, pose, number):
    after_s = random.Random(number).uniform(1.0, 2.5)
    bag = tmp_path / 'bag'
    killed_ns = record_and_kill(bag, pose, after_s)
    check_killed(bag, killed_ns)
    with Recording(bag, load_configuration(configuration).streams) as recording:
        read = sum(1 for _ in recording.messages())
    assert read == len(messages(bag)[ODOMETRY])
    # Files that were finished before are whole for any reader.
    for file in list(bag.glob('*.mcap')):
        if not is_truncated_mcap(file):
            with file.open('rb') as stream:
                assert make_reader(stream).get_summary().statistics.message_count > 0


def test_killed_recording_is_assessed_as_cut_off(tmp_path, configuration, pose, capsys):
    bag = tmp_path / 'bag'
    record_and_kill(bag, pose, 1.5)
    assert assess_bag([str(bag), '--config', str(configuration),
                       '--out', str(tmp_path / 'out')]) == 0
    said = capsys.readouterr().err
    assert 'metadata.yaml is missing, so the recording was not closed' in said
    assert (tmp_path / 'out' / 'report.html').is_file()
