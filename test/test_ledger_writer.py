# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The live ledger and its file together: a start on an older one, a full disk, hours of hold."""

from collections import Counter
import errno
import os

import numpy as np
import pytest
from robot_mapping_qa.bag import ledger_file
from robot_mapping_qa.bag.ledger_file import LedgerFile, read_ledger
from robot_mapping_qa.bag.ledger_writer import LedgerWriter
from robot_mapping_qa.capture import live_ledger
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.configuration import configuration_from_parameters
from robot_mapping_qa.records import Odometry

S = 1_000_000_000
MS = 1_000_000
CONFIGURATION = configuration_from_parameters({
    'streams': ['unit', 'camera'],
    'unit.topic': '/unit', 'unit.type': 'nav_msgs/msg/Odometry', 'unit.role': 'pose',
    'camera.topic': '/camera', 'camera.type': 'sensor_msgs/msg/Image', 'camera.role': 'capture'})
STARTING_UP = (900 * S, 900 * S, 999 * S, ('starting up',))


def start(folder, now_s, hold=STARTING_UP):
    """Start on a folder with a gate that tells of a hold at once."""
    writer = LedgerWriter(folder, CONFIGURATION, now_s * S)
    writer.ledger.tell_hold(*hold, now_s * S)
    return writer


def drive(writer, from_s, to_s):
    """Take ten poses and five pictures a second, and write twice a second."""
    covariance = np.eye(6) * 1e-8
    for step in range(from_s * 10, to_s * 10):
        now_ns = step * 100 * MS
        writer.ledger.add_pose(
            Odometry(now_ns, '', '', np.array([0.05 * step, 0.0, 0.0]),
                     np.array([0.0, 0.0, 0.0, 1.0]), covariance, None, None, None),
            0.05 * step, True)
        if step % 2:
            writer.ledger.add_capture('camera', now_ns - 50 * MS, now_ns, TimeError(0.0, 1e-5))
        if step % 5 == 4:
            writer.write(now_ns)


def rows(folder):
    return read_ledger(folder / 'captures.csv').captures


def verdicts(folder, from_s=0, to_s=10_000):
    return Counter(capture.verdict for capture in rows(folder)
                   if from_s * S <= capture.stamp_ns < to_s * S)


# A start on a ledger that is there


@pytest.mark.parametrize('restarted', [False, True])
def test_a_hold_whose_onset_lies_before_the_restart_makes_suspect_what_was_written(
        tmp_path, restarted):
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1020)
    assert verdicts(tmp_path) == {'trusted': 100}
    if restarted:
        writer = start(tmp_path, 1020)
    drive(writer, 1020, 1022)
    writer.ledger.tell_hold(1010 * S, 1022 * S, None, ('its clock moved',), 1022 * S)
    writer.write(1023 * S)
    assert verdicts(tmp_path, 1010, 1022) == {'suspect': 60}
    assert verdicts(tmp_path, 1000, 1010) == {'trusted': 50}
    assert len(rows(tmp_path)) == 110
    assert {capture.reasons for capture in rows(tmp_path) if capture.verdict == 'suspect'} == {
        ('its clock moved',)}


def test_a_restart_takes_back_nothing_that_an_earlier_gate_said(tmp_path):
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1004)
    writer.ledger.tell_hold(1002 * S, 1004 * S, 1006 * S, ('it drifted',), 1006 * S)
    drive(writer, 1004, 1010)
    before = rows(tmp_path)
    assert verdicts(tmp_path) == {'trusted': 30, 'suspect': 10, 'held': 10}
    # Nobody tells the new process of that hold; the next one begins within it.
    writer = LedgerWriter(tmp_path, CONFIGURATION, 1012 * S)
    drive(writer, 1012, 1013)
    assert rows(tmp_path)[:50] == before
    writer.ledger.tell_hold(1005 * S, 1013 * S, None, ('it jumped',), 1013 * S)
    writer.write(1014 * S)
    after = {capture.number: capture for capture in rows(tmp_path)}
    assert [after[c.number].verdict for c in before if c.stamp_ns < 1006 * S] == [
        c.verdict for c in before if c.stamp_ns < 1006 * S]
    assert verdicts(tmp_path, 1006, 1013) == {'suspect': 20, 'held': 5}
    # The numbers go on.
    assert sorted(after) == list(range(1, 56))


def test_what_is_older_than_any_onset_is_not_taken_up_again(tmp_path):
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1020)
    writer = LedgerWriter(tmp_path, CONFIGURATION, 1130 * S)
    assert len(writer.ledger._told) == 50
    assert writer.ledger.counts == {'camera': 100}


def test_rows_that_were_cut_are_counted_and_left_out(tmp_path):
    drive(start(tmp_path, 1000), 1000, 1002)
    path = tmp_path / 'captures.csv'
    os.truncate(path, path.stat().st_size - 30)
    writer = start(tmp_path, 1002)
    assert writer.broken_rows == 1
    assert len(rows(tmp_path)) == 9


def test_a_start_reads_no_more_than_it_needs_and_writes_nothing(tmp_path, monkeypatch):
    drive(start(tmp_path, 1000), 1000, 1400)
    path = tmp_path / 'captures.csv'
    before, parsed = path.read_bytes(), []
    parse = ledger_file._capture_of
    monkeypatch.setattr(
        ledger_file, '_capture_of', lambda row: parsed.append(row) or parse(row))
    writer = LedgerWriter(tmp_path, CONFIGURATION, 1400 * S)
    assert len(parsed) == len(writer.ledger._told) == 5 * live_ledger.LOOK_BACK_NS // S
    assert writer.ledger.counts == {'camera': 2000}
    assert path.read_bytes() == before
    assert not (tmp_path / 'redo.csv').exists()


def test_of_the_rows_of_an_earlier_process_the_last_ones_count(tmp_path, monkeypatch):
    monkeypatch.setattr('robot_mapping_qa.bag.ledger_writer.READ_BACK', 400)
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1004)
    # Told late: what was trusted gets another row.
    writer.ledger.tell_hold(1002 * S, 1002 * S, None, ('it drifted',), 1004 * S)
    writer.write(1004 * S)
    assert verdicts(tmp_path, 1002) == {'held': 10}
    # A hold that nobody told the new process of must stay, whatever a long one adds to it.
    writer = start(tmp_path, 1005, (1001 * S, 1005 * S, None, ('it jumped',)))
    drive(writer, 1005, 1200)
    writer.ledger.tell_hold(1001 * S, 1005 * S, 1200 * S, ('it jumped',), 1200 * S)
    # A row or two at a time are read back.
    drive(writer, 1200, 1220)
    assert [capture.verdict for capture in rows(tmp_path)[:20]] == (
        ['trusted'] * 5 + ['suspect'] * 5 + ['held'] * 10)


# The end


def test_at_the_end_the_places_come_first_and_then_one_row_a_capture(tmp_path, monkeypatch):
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1004)
    writer.ledger.tell_hold(1002 * S, 1004 * S, None, ('it drifted',), 1004 * S)
    writer.write(1004 * S, at_end=True)
    path = tmp_path / 'captures.csv'
    written, content = path.read_bytes(), read_ledger(path)
    write_file = ledger_file._write_file

    def killed(path, lines):
        if path.name == 'captures.csv':
            raise OSError(errno.EINTR, 'killed')
        write_file(path, lines)
    monkeypatch.setattr(ledger_file, '_write_file', killed)
    with pytest.raises(OSError, match='killed'):
        writer.close()
    assert path.read_bytes() == written
    assert (tmp_path / 'redo.csv').read_text().count('it drifted') == 1
    monkeypatch.undo()
    # A start and an end on what was left.
    places, _ = LedgerWriter(tmp_path, CONFIGURATION, 1010 * S).close()
    assert [place.captures for place in places] == [10]
    assert read_ledger(path) == content
    assert len(path.read_text().splitlines()) == 21 < len(written.splitlines())


# A full disk


class Disk:
    """Takes so many bytes and then says that it is full."""

    def __init__(self, monkeypatch, room):
        self.room = room
        self._write = os.write
        monkeypatch.setattr(ledger_file.os, 'write', self.write)

    def write(self, file, data):
        if self.room == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count = self._write(file, bytes(data[:self.room]))
        self.room -= count
        return count


def test_rows_that_a_full_disk_did_not_take_are_written_when_there_is_room(
        tmp_path, monkeypatch):
    captures = make_captures(tmp_path / 'other', 30)
    file = LedgerFile(tmp_path)
    file.append(captures[:10])
    disk = Disk(monkeypatch, 330)
    for rest, waiting in ((captures[10:20], 8), ([], 8), (captures[20:25], 13)):
        with pytest.raises(OSError, match='No space left'):
            file.append(rest)
        assert file.waiting_rows == waiting
    disk.room = 10 ** 9
    file.append(captures[25:])
    assert (file.waiting_rows, file.lost_rows) == (0, 0)
    file.close()
    content = read_ledger(tmp_path / 'captures.csv')
    assert (content.captures, content.broken_rows) == (captures, 0)


def test_rows_wait_for_a_full_disk_in_bounded_memory_and_lost_ones_are_counted(
        tmp_path, monkeypatch):
    captures = make_captures(tmp_path / 'other', 30)
    file = LedgerFile(tmp_path)
    disk = Disk(monkeypatch, 100)
    monkeypatch.setattr(ledger_file, 'MOST_UNWRITTEN', 2000)
    for capture in captures:
        with pytest.raises(OSError):
            file.append([capture])
    assert len(file._unwritten) < 2000
    assert file.lost_rows > 5 and file.waiting_rows + file.lost_rows == 30
    lost = file.lost_rows
    disk.room = 10 ** 9
    file.append(captures[-1:])
    content = read_ledger(tmp_path / 'captures.csv')
    assert content.captures == [*captures[:30 - lost], captures[-1]]
    assert (content.broken_rows, file.lost_rows, file.waiting_rows) == (0, lost, 0)


def test_a_table_that_the_disk_did_not_take_leaves_nothing_behind(tmp_path, monkeypatch):
    captures = make_captures(tmp_path, 5)
    before = sorted(tmp_path.iterdir())

    def full(_row):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    monkeypatch.setattr(ledger_file, 'capture_row', full)
    with pytest.raises(OSError):
        ledger_file.write_captures(captures, tmp_path)
    assert sorted(tmp_path.iterdir()) == before


def make_captures(folder, count):
    """Return captures as a ledger has them."""
    drive(start(folder, 1000), 1000, 1000 + count // 5)
    return rows(folder)


# Hours of hold


def test_a_long_hold_is_not_kept_in_memory_and_ends_with_its_final_reasons(tmp_path, monkeypatch):
    monkeypatch.setattr('robot_mapping_qa.bag.ledger_writer.READ_BACK', 20_000)
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1004)
    writer.ledger.tell_hold(1002 * S, 1004 * S, None, ('held by hand (for 0 s so far)',), 1004 * S)
    drive(writer, 1004, 1600)
    look_back_s = live_ledger.LOOK_BACK_NS // S
    assert len(writer.ledger._told) <= 5 * look_back_s + 5
    writer.ledger.tell_hold(1002 * S, 1004 * S, 1600 * S, ('held by hand (for 596 s)',), 1600 * S)
    told = writer.rows
    writer.write(1600 * S)
    # A part at a time: 20,000 bytes are some 120 rows.
    assert writer.rows - told < 5 * look_back_s + 200
    drive(writer, 1600, 1630)
    assert verdicts(tmp_path) == {'trusted': 160, 'suspect': 10, 'held': 2980}
    assert {capture.reasons for capture in rows(tmp_path) if capture.verdict != 'trusted'} == {
        ('held by hand (for 596 s)',)}
    told = writer.rows
    writer.write(1631 * S)
    assert writer.rows == told


def test_what_waits_to_be_read_back_is_written_at_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr('robot_mapping_qa.bag.ledger_writer.READ_BACK', 20_000)
    writer = start(tmp_path, 1000)
    writer.ledger.tell_hold(1000 * S, 1000 * S, None, ('so far',), 1000 * S)
    drive(writer, 1000, 1300)
    writer.ledger.tell_hold(1000 * S, 1000 * S, 1300 * S, ('over',), 1300 * S)
    writer.write(1300 * S, at_end=True)
    places, broken_rows = writer.close()
    assert {(capture.verdict, capture.reasons) for capture in rows(tmp_path)} == {
        ('held', ('over',))}
    assert len(rows(tmp_path)) == 1500
    assert ([place.captures for place in places], broken_rows) == ([1500], 0)


def test_many_captures_are_judged_anew_a_part_at_a_time(tmp_path, monkeypatch):
    monkeypatch.setattr(live_ledger, 'MOST_AT_ONCE', 30)
    writer = start(tmp_path, 1000)
    drive(writer, 1000, 1020)
    writer.ledger.tell_hold(1000 * S, 1020 * S, None, ('its clock moved',), 1020 * S)
    changed = [len(writer.ledger.take_news(1020 * S)) for _ in range(5)]
    assert changed == [30, 30, 30, 10, 0]


def test_a_gate_that_was_killed_in_a_hold_does_not_hold_what_the_next_one_lets_go(tmp_path):
    writer = start(tmp_path, 1000)
    writer.ledger.tell_hold(1002 * S, 1002 * S, None, ('it drifted',), 1002 * S)
    drive(writer, 1000, 1004)
    writer.ledger.lose_gate(1004 * S)
    drive(writer, 1004, 1006)
    writer.ledger.tell_hold(1006 * S, 1006 * S, 1008 * S, ('starting up',), 1008 * S)
    drive(writer, 1006, 1010)
    assert verdicts(tmp_path, 1002, 1008) == {'held': 30}
    assert verdicts(tmp_path, 1008) == {'trusted': 10}
