# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The numbers in the report's tables, worked out again from the bag with numpy and rosbags alone.

Only the making of the bag and the tool itself come from the package; all that is compared with
is written here anew, by the definitions that stand beside it.
"""

import csv
from dataclasses import replace
import itertools
import random
import re

from hand_made_bags import between, CAMERA, CONFIGURATION, drive, in_order, MS, ODOMETRY, S, write
import numpy as np
import pytest
from report_page import line_below, numbers, seconds, Tables
from robot_mapping_qa.bag.assess_bag import main
from rosbags.highlevel import AnyReader

JUMP_S, JUMP_M, DISTANCE_M = 16.0, 0.4, 2.0
SLOP_NS, REDO_M = 50 * MS, 0.5


@pytest.fixture(scope='module')
def folder(tmp_path_factory):
    """Assess a drive with varying delays, lost pictures, a jump of the pose and its silence."""
    folder = tmp_path_factory.mktemp('recomputed')
    rng = random.Random(7)
    sent = []
    for each in drive(30.0):
        if between(each, CAMERA, 20.0, 20.35) or between(each, ODOMETRY, 22.0, 23.0):
            continue
        mean_s = 0.002 if each.topic == CAMERA else 0.001
        each = each.late(rng.expovariate(1.0 / mean_s))
        if between(each, ODOMETRY, JUMP_S, 99.0):
            each = replace(each, x_m=each.x_m + JUMP_M)
        sent.append(each)
    write(folder / 'bag', in_order(sent))
    (folder / 'robot.yaml').write_text(CONFIGURATION)
    assert main([str(folder / 'bag'), '--config', str(folder / 'robot.yaml'),
                 '--out', str(folder / 'out')]) == 0
    return folder


@pytest.fixture(scope='module')
def page(folder):
    return Tables((folder / 'out' / 'report.html').read_text(encoding='utf-8'))


@pytest.fixture(scope='module')
def bag(folder):
    """Return log times and stamps (ns) by topic, and the odometry as arrays."""
    found = {}
    with AnyReader([folder / 'bag']) as reader:
        for connection, log_ns, data in reader.messages():
            message = reader.deserialize(data, connection.msgtype)
            stamp = message.header.stamp
            found.setdefault(connection.topic, []).append(
                (log_ns, stamp.sec * S + stamp.nanosec, message))
    return found


@pytest.fixture(scope='module')
def quality(folder):
    """Return when the gate closed and opened, and which stretches its events call suspect."""
    allowed, suspect = [], []
    with AnyReader([folder / 'out' / 'quality']) as reader:
        for connection, log_ns, data in reader.messages():
            message = reader.deserialize(data, connection.msgtype)
            if connection.topic == '/mapping_qa/capture_allowed':
                allowed.append((log_ns, message.data))
            elif connection.topic == '/mapping_qa/events':
                for status in message.status:
                    values = {pair.key: pair.value for pair in status.values}
                    if status.name == 'suspect':
                        suspect.append((int(values['from_ns']), int(values['to_ns'])))
    changes = [(log_ns, now) for (log_ns, now), (_, before) in zip(
        allowed, [(0, None), *allowed]) if now != before]
    holds = [(at, next((later for later, open_ in changes[place:] if open_), None))
             for place, (at, is_open) in enumerate(changes) if not is_open]
    return holds, suspect


def verdicts(bag, quality):
    """Judge each picture: held within a hold, suspect from the onset of its cause to it."""
    holds, suspect = quality
    found = []
    for log_ns, stamp_ns, _ in bag[CAMERA]:
        first, last = min(log_ns, stamp_ns), max(log_ns, stamp_ns)

        def touches(begin, end):
            return last >= begin and (end is None or first < end)
        found.append('held' if any(touches(*hold) for hold in holds) else
                     'suspect' if any(touches(*stretch) for stretch in suspect) else 'trusted')
    return found


def start_ns(bag):
    return min(rows[0][0] for rows in bag.values())


def test_tally_of_the_captures(page, bag, quality):
    expected = verdicts(bag, quality)
    assert [int(text) for text in page.tally[:3]] == [
        expected.count(verdict) for verdict in ('trusted', 'suspect', 'held')]
    assert all(expected.count(verdict) for verdict in ('trusted', 'suspect', 'held'))


def test_times_of_the_holds(page, bag, quality):
    rows = page.tables['What happened when']
    holds, _ = quality
    assert len(rows) == len(holds) == 3
    for row, (closed_ns, opened_ns) in zip(rows, holds):
        assert seconds(row[2]) == pytest.approx((closed_ns - start_ns(bag)) / S, abs=0.051)
        assert seconds(row[3]) == pytest.approx((opened_ns - start_ns(bag)) / S, abs=0.051)
        assert numbers(row[4])[0] == pytest.approx((opened_ns - closed_ns) / S, abs=0.051)


@pytest.mark.parametrize('row, topic', [(0, ODOMETRY), (1, CAMERA)])
def test_figures_of_the_streams(page, bag, row, topic):
    cells = page.tables['Streams'][row]
    log_ns, stamp_ns = (np.array([each[column] for each in bag[topic]]) for column in (0, 1))
    delay_s = (log_ns - stamp_ns) / S
    count, rate_hz = numbers(cells[1])
    assert count == len(log_ns)
    # A silence is no part of the time in which it ran.
    gaps_s = np.diff(log_ns) / S
    ran_s = gaps_s[gaps_s < 0.9]
    assert rate_hz == pytest.approx(len(ran_s) / ran_s.sum(), abs=0.06)
    slope, height_s = line_below((log_ns - log_ns[0]) / S, delay_s)
    offset_ms, sigma_ms = numbers(cells[2])
    assert offset_ms == pytest.approx(-1e3 * height_s, abs=3.0 * sigma_ms + 0.011)
    skew_ppm, sigma_ppm = numbers(cells[3])
    assert skew_ppm == pytest.approx(-1e6 * slope, abs=3.0 * sigma_ppm + 0.11)
    # The quantiles are promised to 1 %.
    assert numbers(cells[4]) == pytest.approx(
        list(1e3 * np.quantile(delay_s, (0.5, 0.95, 0.99), method='inverted_cdf')), rel=0.011)
    # RFC 3550, section 6.4.1.
    jitter_s = 0.0
    for change in np.abs(np.diff(delay_s)):
        jitter_s += (change - jitter_s) / 16.0
    assert numbers(cells[5])[0] == pytest.approx(1e3 * jitter_s, abs=0.011, rel=0.01)
    ordered = np.sort(stamp_ns)
    period_ns = np.median(np.diff(ordered))
    missing = np.round(np.diff(ordered) / period_ns) - 1
    # What a silent stream did not send was not lost.
    lost = int(missing[np.diff(ordered) < 0.9 * S].sum())
    assert int(cells[6]) == lost == (4 if topic == CAMERA else 0)
    assert int(cells[11]) == (0 if topic == CAMERA else 1)
    assert int(cells[7]) == len(stamp_ns) - len(set(stamp_ns.tolist())) == 0
    assert int(cells[8]) == sum(
        stamp < before for stamp, before in zip(stamp_ns, np.maximum.accumulate(stamp_ns)))


def sets_of_two(bag):
    """Form the sets of message_filters' ApproximateTimeSynchronizer for two streams, literally."""
    arrivals = sorted((log_ns, topic, stamp_ns) for topic, rows in bag.items()
                      for log_ns, stamp_ns, _ in rows)
    waiting = {ODOMETRY: {}, CAMERA: {}}
    spreads = []
    for log_ns, topic, stamp_ns in arrivals:
        own, other = waiting[topic], waiting[CAMERA if topic == ODOMETRY else ODOMETRY]
        own[stamp_ns] = log_ns
        while len(own) > 100:
            del own[min(own)]
        near = sorted(other, key=lambda stamp: abs(stamp - stamp_ns))
        if near and abs(near[0] - stamp_ns) < SLOP_NS:
            spreads.append(abs(near[0] - stamp_ns) / S)
            del own[stamp_ns], other[near[0]]
    return spreads


def test_spread_of_the_sets(page, bag):
    spreads = sets_of_two(bag)
    p50, p95 = np.percentile(spreads, (50, 95))
    row = page.tables['Sets across the streams'][0]
    assert numbers(row[1])[0] == pytest.approx(1e3 * p50, abs=0.006)
    assert numbers(row[2])[0] == pytest.approx(1e3 * p95, abs=0.006)


def poses(bag):
    stamp_ns = np.array([each[1] for each in bag[ODOMETRY]])
    x = np.array([each[2].pose.pose.position.x for each in bag[ODOMETRY]])
    order = np.argsort(stamp_ns)
    return stamp_ns[order], x[order]


def test_jump_and_way(page, bag, folder):
    stamp_ns, x = poses(bag)
    steps = np.diff(x)
    # What the speed of half a metre a second, or standing, does not explain.
    unexplained = steps - np.where(x[1:] > 0.0, 0.5, 0.0) * np.diff(stamp_ns) / S
    place = int(np.argmax(np.abs(unexplained)))
    row, = page.tables['The pose']
    assert numbers(row[1])[0] == pytest.approx(unexplained[place], abs=0.006)
    # It is told when its message comes.
    log_ns = min(each[0] for each in bag[ODOMETRY] if each[1] == stamp_ns[place + 1])
    assert seconds(row[0]) == pytest.approx((log_ns - start_ns(bag)) / S, abs=0.051)
    way_m = np.abs(np.delete(steps, place)).sum()
    text = (folder / 'out' / 'report.html').read_text(encoding='utf-8')
    assert float(re.search(r'travelled ([\d.]+) m', text).group(1)) == pytest.approx(
        way_m, abs=0.06)


def test_places_to_take_captures_again(page, bag, quality):
    """A capture is made up for by a later trusted one within half a metre."""
    stamp_ns, x = poses(bag)
    seen = sorted(zip([each[0] for each in bag[CAMERA]], [each[1] for each in bag[CAMERA]]))
    where = np.interp([stamp for _, stamp in seen], stamp_ns, x)
    found = verdicts(bag, quality)
    missing = [number for number, verdict in enumerate(found) if verdict != 'trusted' and not any(
        found[later] == 'trusted' and abs(where[later] - where[number]) <= REDO_M
        for later in range(number + 1, len(found)))]
    runs = [[number for _, number in run] for _, run in itertools.groupby(
        enumerate(missing), key=lambda item: item[1] - item[0])]
    rows = page.tables['Where to take captures again']
    assert len(rows) == len(runs) == 2
    for row, run in zip(rows, runs):
        assert int(row[3]) == len(run)
        assert min(abs(numbers(row[1])[0] - where[number]) for number in run) < 0.006
        assert numbers(row[1])[1:] == [0.0, 0.0]
        low, high = numbers(row[2])
        # The way has no jump in it.
        assert high - low <= where[run[-1]] - where[run[0]] + 0.06


def test_shares_of_the_budget(page, folder):
    """First order: the variances of the point are those of the position and lever x rotation."""
    with (folder / 'out' / 'captures.csv').open(newline='') as file:
        known = [row for row in csv.DictReader(file) if row['share_position']]
    sigma_m, sigma_rad = (np.array([float(row[name]) for row in known])
                          for name in ('sigma_position_m', 'sigma_rotation_rad'))
    # All axes are alike here, and of three rotations two move a point on the third's axis.
    position, rotation = 3.0 * sigma_m ** 2, 2.0 * (DISTANCE_M * sigma_rad) ** 2
    row = page.tables['What the error is made of'][0]
    assert int(row[1]) == len(known)
    # The clocks agree to microseconds, so that time has no share.
    assert [numbers(cell)[0] for cell in row[3:]] == pytest.approx(
        [100.0 * np.mean(position / (position + rotation)),
         100.0 * np.mean(rotation / (position + rotation)), 0.0, 0.0, 0.0], abs=0.11)
