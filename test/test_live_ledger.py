# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The ledger while the run goes on: rows at once, corrected later, and kept through a kill."""

import csv
from dataclasses import replace
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from robot_mapping_qa.bag.ledger_file import (
    CAPTURE_COLUMNS, finish_ledger, LedgerError, LedgerFile, newest_rows, read_ledger,
    write_captures)
from robot_mapping_qa.capture.holds import Cause, Hold
from robot_mapping_qa.capture.ledger import Ledger
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.live_ledger import LiveLedger
from robot_mapping_qa.capture.moments import HEALTHY_AGAIN
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.messages.hold_values import course_values, hold_from_values, hold_values
from robot_mapping_qa.pose.working_distance import Sight
from robot_mapping_qa.records import Odometry

MS = 1_000_000
S = 1_000_000_000
VIEWS = {'camera': View(Sight(), 3.0, 0.002, 0.001)}


def pose(stamp_ns):
    covariance = np.diag([1e-5] * 3 + [1e-6] * 3)
    return Odometry(stamp_ns, 'map', 'unit', np.array([stamp_ns * 0.5e-9, 0.0, 0.0]),
                    np.array([0.0, 0.0, 0.0, 1.0]), covariance, None, None, None)


def drive(book, from_s, to_s, news=None):
    """Drive at 0.5 m/s with 10 poses and 5 pictures a second; look for news twice a second."""
    for step in range(round(from_s * 10), round(to_s * 10)):
        now_ns = step * 100 * MS
        book.add_pose(pose(now_ns), 0.05 * step, True)
        if step % 2:
            book.add_capture('camera', now_ns - 30 * MS, now_ns, TimeError(0.0, 0.001))
        if news is not None and step % 5 == 4:
            news += book.take_news(now_ns)


def opened():
    book = LiveLedger(0.05, VIEWS, 0.35)
    book.tell_hold(0, 0, 2 * S, ('starting up',), 2 * S)
    return book


def test_every_capture_gets_its_row_once_its_pose_is_known():
    book, news = opened(), []
    drive(book, 2.0, 10.0, news)
    assert len(news) == 40
    assert [capture.number for capture in news] == list(range(1, 41))
    assert {capture.verdict for capture in news} == {'trusted'}
    assert all(capture.point_error_m is not None for capture in news)


def test_captures_between_onset_and_closing_are_called_suspect_afterwards():
    book, news = opened(), []
    drive(book, 2.0, 6.0, news)
    assert {capture.verdict for capture in news} == {'trusted'}
    book.tell_hold(round(4.5 * S), 6 * S, None, ('it drifted (for 1.5 s so far)',), 6 * S)
    again = book.take_news(6 * S)
    assert [capture.verdict for capture in again] == ['suspect'] * len(again)
    assert len(again) == 8
    assert all(4.4 * S < capture.receive_ns <= 6 * S for capture in again)
    # Nothing is told twice.
    assert book.take_news(6 * S) == []


def test_reasons_are_final_when_the_hold_is_over():
    book, news = opened(), []
    drive(book, 2.0, 4.0, news)
    book.tell_hold(4 * S, 4 * S, None, ('it drifted (for 0.0 s so far)',), 4 * S)
    drive(book, 4.0, 8.0, news)
    book.tell_hold(4 * S, 4 * S, 8 * S, ('it drifted (for 2.0 s)',), 8 * S)
    drive(book, 8.0, 9.0, news)
    latest = {capture.name: capture for capture in news}
    held = [capture for capture in latest.values() if capture.verdict == 'held']
    assert {capture.reasons for capture in held} == {('it drifted (for 2.0 s)',)}
    assert 20 <= len(held) <= 21
    assert latest['camera/35'].verdict == 'trusted'


def test_without_a_gate_nothing_is_trusted():
    book, news = LiveLedger(0.05, VIEWS, 0.35), []
    drive(book, 0.0, 2.0, news)
    assert {(c.verdict, c.reasons) for c in news} == {('held', ('no gate was heard',))}
    book = opened()
    news = []
    drive(book, 2.0, 4.0, news)
    book.lose_gate(4 * S)
    drive(book, 4.0, 6.0, news)
    assert news[-1].verdict == 'held' and news[-1].reasons == ('the gate fell silent',)
    # Another gate that starts held ends the silence, and its opening ends the hold.
    book.tell_hold(6 * S, 6 * S, 8 * S, ('starting up',), 8 * S)
    drive(book, 8.0, 10.0, news)
    assert news[-1].verdict == 'trusted'


def test_gate_that_was_only_slow_is_believed_again():
    book, news = opened(), []
    drive(book, 2.0, 4.0, news)
    book.lose_gate(4 * S)
    drive(book, 4.0, 6.0, news)
    book.tell_hold(0, 0, 2 * S, ('starting up',), 6 * S)
    drive(book, 6.0, 8.0, news)
    latest = {capture.name: capture.verdict for capture in news}
    assert latest['camera/15'] == 'held' and latest['camera/30'] == 'trusted'


def test_holds_of_a_time_that_started_again_are_forgotten():
    book, news = LiveLedger(0.05, VIEWS, 0.35), []
    book.tell_hold(100 * S, 100 * S, 102 * S, ('starting up',), 102 * S)
    drive(book, 102.0, 106.0, news)
    assert {capture.verdict for capture in news} == {'trusted'}
    book.tell_hold(2 * S, 2 * S, None, ('time restarted',), 2 * S)
    news = []
    drive(book, 2.0, 6.0, news)
    assert {capture.verdict for capture in news} == {'held'}


def test_live_rows_end_as_those_of_the_offline_ledger(tmp_path):
    hold = Hold(round(4.5 * S), 6 * S, 8 * S, causes={
        'a/b': Cause('it was bad', 4 * S, 7 * S), 'c/d': Cause('also this', 5 * S, 6 * S)})
    start = Hold(0, 0, 2 * S, causes={'a/b': Cause('starting up', 0, 2 * S)})
    first_word = Hold(round(4.5 * S), 6 * S, None, causes={'a/b': Cause('it is', 4 * S, 6 * S)})

    def tell(told, now_ns):
        values = {**hold_values(told), **course_values(told)}
        read = hold_from_values({key: '' if value is None else str(value)
                                 for key, value in values.items()})
        book.tell_hold(*read[:4], now_ns, read.courses)
    offline = Ledger(0.05, VIEWS, 0.35)
    drive(offline, 0.0, 12.0)
    book, news = LiveLedger(0.05, VIEWS, 0.35), []
    drive(book, 0.0, 2.5, news)
    tell(start, 2 * S)
    drive(book, 2.5, 6.3, news)
    tell(first_word, 6 * S)
    drive(book, 6.3, 8.2, news)
    tell(hold, 8 * S)
    drive(book, 8.2, 12.0, news)
    news += book.take_news(20 * S, at_end=True)
    latest = {capture.name: capture for capture in news}
    for name, rows in (('live', latest.values()), ('offline', offline.finish([start, hold]))):
        (tmp_path / name).mkdir()
        write_captures(rows, tmp_path / name)
    live, again = (tmp_path / name / 'captures.csv' for name in ('live', 'offline'))
    assert live.read_text() == again.read_text()
    assert live.read_text().count('it was bad,') > 5
    assert live.read_text().count(HEALTHY_AGAIN) > 3
    places, _ = finish_ledger(tmp_path / 'live', GateLimits(), book.known_holds())
    assert set(hold.reasons) <= set(places[-1].reasons)
    assert live.read_text().count('suspect') > 5 and live.read_text().count('held') > 10


def test_hours_of_captures_do_not_pile_up():
    book = opened()
    for start_s in range(2, 602, 50):
        drive(book, start_s, start_s + 50, [])
    assert len(book._told) < 5 * 125


def test_camera_whose_stamps_are_ahead_gets_its_rows_beside_one_that_is_right():
    book = LiveLedger(0.05, {name: VIEWS['camera'] for name in ('camera', 'ahead')}, 0.35)
    book.tell_hold(0, 0, 2 * S, ('starting up',), 2 * S)
    news = []
    for step in range(20, 120):
        now_ns = step * 100 * MS
        book.add_pose(pose(now_ns), 0.05 * step, True)
        # Newer than the newest pose: one of it is always waiting.
        book.add_capture('camera', now_ns + 20 * MS, now_ns + 30 * MS, TimeError(0.0, 0.001))
        book.add_capture('ahead', now_ns + 3600 * S, now_ns + 40 * MS, TimeError(0.0, 0.001))
        news += book.take_news(now_ns + 50 * MS)
    rows = [capture for capture in news if capture.stream == 'ahead']
    # All but those of the last second, for which a pose could still come.
    assert [capture.number for capture in rows] == list(range(1, 91))
    assert {capture.reasons for capture in rows} == {('no pose around the time of its stamp',)}
    rows = [capture for capture in news if capture.stream == 'camera']
    assert [capture.number for capture in rows] == list(range(1, 100))


def test_pictures_that_go_on_waiting_get_their_poses_in_the_order_of_their_stamps():
    book = opened()
    for stamp_s, receive_s in ((4.0, 2.0), (5.0, 3.4), (4.5, 3.4)):
        book.add_capture('camera', round(stamp_s * S), round(receive_s * S), TimeError(0.0, 0.001))
    assert [capture.number for capture in book.take_news(round(3.5 * S))] == [1]
    for stamp_s in (4.3, 4.6):
        book.add_pose(pose(round(stamp_s * S)), 1.0, True)
    capture, = book.take_news(round(4.3 * S))
    assert (capture.number, capture.position_m is not None) == (3, True)


# The file


def captures(count=20, news=None):
    book, news = opened(), []
    drive(book, 2.0, 2.0 + count / 5.0, news)
    return news


def test_last_row_of_a_capture_counts_and_the_end_leaves_one(tmp_path):
    book, news = opened(), []
    drive(book, 2.0, 6.0, news)
    file = LedgerFile(tmp_path)
    file.append(news)
    book.tell_hold(4 * S, 6 * S, None, ('a; b',), 6 * S)
    amended = book.take_news(6 * S)
    file.append(amended)
    file.close()
    rows = list(csv.DictReader((tmp_path / 'captures.csv').open()))
    assert len(rows) == len(news) + len(amended) > len(news)
    found = read_ledger(tmp_path / 'captures.csv').captures
    assert [c.verdict for c in found].count('suspect') == len(amended)
    (place,), broken_rows = finish_ledger(tmp_path, GateLimits())
    assert broken_rows == 0
    assert place.captures == len(amended) and place.reasons == ('a', 'b')
    rows = list(csv.DictReader((tmp_path / 'captures.csv').open()))
    assert [row['capture'] for row in rows] == [capture.name for capture in news]
    assert (tmp_path / 'redo.csv').read_text().count('\n') == 2


def test_a_reason_of_two_lines_is_one_row_for_whoever_goes_on_by_lines(tmp_path):
    rows = captures(10)
    rows[3] = replace(rows[3], verdict='held', reasons=('held by hand: crane\nmoves', 'late'))
    file = LedgerFile(tmp_path)
    file.append(rows)
    file.close()
    newest = newest_rows(tmp_path / 'captures.csv', 0, 10 ** 12)
    assert newest.broken_rows == 0
    assert [capture.name for capture in newest.captures] == [row.name for row in rows]
    assert newest.captures[3].reasons == ('held by hand: crane moves', 'late')


def test_ledger_survives_a_kill_at_any_time(tmp_path):
    """Rows told to be written before the kill are there after it, and no line is cut."""
    code = ('import sys, pathlib; sys.path.insert(0, sys.argv[2])\n'
            'from test_live_ledger import captures\n'
            'from robot_mapping_qa.bag.ledger_file import LedgerFile\n'
            'file = LedgerFile(pathlib.Path(sys.argv[1]))\n'
            'rows = captures(10)\n'
            'for number in range(1, 10**9):\n'
            '    file.append([rows[0]])\n'
            '    print(number, flush=True)\n')
    writer = subprocess.Popen(
        [sys.executable, '-c', code, str(tmp_path), os.path.dirname(__file__)],
        stdout=subprocess.PIPE, text=True)
    for _ in range(50):
        writer.stdout.readline()
    time.sleep(0.02)
    os.kill(writer.pid, signal.SIGKILL)
    told = [int(line) for line in writer.communicate()[0].split()]
    lines = (tmp_path / 'captures.csv').read_text().splitlines()
    assert len(lines) - 1 >= max(told)
    assert {line.count(',') for line in lines} == {len(CAPTURE_COLUMNS) - 1}
    assert read_ledger(tmp_path / 'captures.csv').broken_rows == 0


def test_ledger_goes_on_behind_a_row_that_was_cut(tmp_path):
    first = captures(10)
    file = LedgerFile(tmp_path)
    file.append(first[:5])
    file.close()
    path = tmp_path / 'captures.csv'
    os.truncate(path, path.stat().st_size - 30)
    file = LedgerFile(tmp_path)
    assert file.cut_rows == 1
    file.append(first[5:])
    file.close()
    found = read_ledger(path)
    assert [c.number for c in found.captures] == [1, 2, 3, 4, 6, 7, 8, 9, 10]
    assert path.read_text().count('capture,stamp_ns') == 1


def test_a_row_that_was_cut_within_quotes_swallows_no_other(tmp_path, monkeypatch):
    monkeypatch.setattr('robot_mapping_qa.bag.ledger_file._LOOK_BYTES', 50)
    rows = captures(10)
    last = replace(rows[4], reasons=('first, and second',))
    LedgerFile(tmp_path).append([*rows[:4], last])
    path = tmp_path / 'captures.csv'
    os.truncate(path, path.read_bytes().index(b'and second'))
    file = LedgerFile(tmp_path)
    assert path.read_bytes().endswith(b'\n')
    file.append([replace(row, reasons=('a, b',)) for row in rows[5:]])
    file.append([replace(rows[5], reasons=('a, "b" c',))])
    found = read_ledger(path)
    assert [c.number for c in found.captures] == [1, 2, 3, 4, 6, 7, 8, 9, 10]
    assert (file.cut_rows, found.broken_rows) == (1, 0)
    # What a text has in it is the same when one row a capture is left.
    assert found.captures[4].reasons == ('a, "b" c',)
    finish_ledger(tmp_path, GateLimits())
    assert read_ledger(path) == found


@pytest.mark.parametrize('left', [0, None])
def test_a_ledger_that_was_cut_before_its_first_row_begins_anew(tmp_path, left):
    path = tmp_path / 'captures.csv'
    path.write_text(','.join(CAPTURE_COLUMNS)[:left])
    LedgerFile(tmp_path).append(captures(10))
    content = read_ledger(path)
    assert ([capture.number for capture in content.captures], content.broken_rows) == (
        list(range(1, 11)), 0)


def test_a_file_of_another_kind_is_left_alone(tmp_path):
    (tmp_path / 'captures.csv').write_text('a,b\n1,2\n')
    with pytest.raises(LedgerError, match='is not a ledger of captures'):
        LedgerFile(tmp_path)
    assert (tmp_path / 'captures.csv').read_text() == 'a,b\n1,2\n'
