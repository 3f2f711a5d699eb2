# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Events, offsets from motion, TDEV and MTIE of the report, worked out again from the bag.

The bag is that of the demo, with its five faults. As in `test_report_recomputed` only its making
and the tool come from the package.
"""

from importlib.resources import files
import re

import numpy as np
import pytest
from report_page import line_below, numbers, seconds, Tables
from robot_mapping_qa.bag.assess_bag import main
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario
from robot_mapping_qa.rig.bag_writer import write_bag
from rosbags.highlevel import AnyReader
from scipy.ndimage import gaussian_filter1d

S = 1_000_000_000
UNIT, IMU, CAMERA, LIDAR = (
    '/unit/odometry', '/body/imu', '/front/camera_info', '/roof/points')
NAMES = {UNIT: 'unit_odometry', IMU: 'body_imu', CAMERA: 'front_camera', LIDAR: 'roof_lidar'}
DELAY_LIMIT_S = 0.15
"""The default of delay_limit_s."""


@pytest.fixture(scope='module')
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp('recomputed')
    # An IMU whose clock drifts fast enough for it to matter when a value applies.
    demo = (files('robot_mapping_qa.rig') / 'scenarios' / 'demo.yaml').read_text('utf-8')
    right = 'clock: {offset_s: 0.0, skew_ppm: 0.0}'
    assert demo.count(right) == 1
    (folder / 'demo.yaml').write_text(
        demo.replace(right, 'clock: {offset_s: 0.003, skew_ppm: 60.0}'), encoding='utf-8')
    write_bag(load_scenario(folder / 'demo.yaml'), folder / 'bag', pictures=False)
    assert main([str(folder / 'bag'), '--config', str(share_file('config/demo_streams.yaml')),
                 '--out', str(folder / 'out')]) == 0
    return folder


@pytest.fixture(scope='module')
def html(folder):
    return (folder / 'out' / 'report.html').read_text(encoding='utf-8')


@pytest.fixture(scope='module')
def tables(html):
    return Tables(html).tables


@pytest.fixture(scope='module')
def bag(folder):
    """Return log times, stamps (n,) ns and turn rates, positions (n, 3) by topic."""
    found = {topic: [] for topic in NAMES}
    with AnyReader([folder / 'bag']) as reader:
        for connection, log_ns, data in reader.messages():
            message = reader.deserialize(data, connection.msgtype)
            turn = place = (0.0, 0.0, 0.0)
            if connection.topic == IMU:
                turn = xyz(message.angular_velocity)
            elif connection.topic == UNIT:
                turn, place = xyz(message.twist.twist.angular), xyz(message.pose.pose.position)
            stamp = message.header.stamp
            found[connection.topic].append((log_ns, stamp.sec * S + stamp.nanosec, turn, place))
    return {topic: tuple(map(np.array, zip(*rows))) for topic, rows in found.items()}


def xyz(vector):
    return vector.x, vector.y, vector.z


def since_start_s(bag, time_ns):
    return (time_ns - min(rows[0][0] for rows in bag.values())) / S


def delays_s(bag, topic):
    log_ns, stamp_ns = bag[topic][:2]
    return (log_ns - stamp_ns) / S


# Events


def events(tables, kind):
    return [row for row in tables['Events'] if row[2] == kind]


def assert_began(bag, row, time_ns, topic):
    # The table shows tenths of a second.
    assert seconds(row[0]) == pytest.approx(since_start_s(bag, time_ns), abs=0.051)
    assert 0.0 <= seconds(row[1]) - seconds(row[0]) < 1.0
    assert row[3] == NAMES[topic]


def test_every_kind_of_event_is_worked_out_again(tables):
    assert [row[2] for row in tables['Events']] == [
        'clock step', 'clock step', 'stream lost', 'stream back', 'pose jump', 'delay rose',
        'delay normal']


def test_clock_steps(tables, bag):
    """A clock that jumps ahead by so much makes every delay that much smaller."""
    delay_s, half_s = delays_s(bag, CAMERA), 0.04
    places = [place for place in range(15, len(delay_s) - 15)
              if delay_s[place] < delay_s[place - 15:place].min() - half_s
              or delay_s[place - 1] < delay_s[place:place + 15].min() - half_s]
    # Over three seconds, in which the skew does not count.
    sizes_s = [delay_s[place - 45:place].min() - delay_s[place:place + 45].min()
               for place in places]
    rows = events(tables, 'clock step')
    assert len(rows) == len(places) == 2
    for row, place, size_s in zip(rows, places, sizes_s):
        assert_began(bag, row, bag[CAMERA][0][place], CAMERA)
        told_ms, = numbers(row[4])
        # The least of 45 delays, with queues of 2 and 0.2 ms, is 0.13 ms above the smallest
        # possible, give or take 0.07 ms: four standard deviations of the difference of two.
        assert told_ms == pytest.approx(1e3 * size_s, abs=0.4)


def test_silence(tables, bag):
    log_ns = bag[UNIT][0]
    last = int(np.argmax(np.diff(log_ns)))
    gap_s = (log_ns[last + 1] - log_ns[last]) / S
    lost, = events(tables, 'stream lost')
    assert_began(bag, lost, log_ns[last], UNIT)
    back, = events(tables, 'stream back')
    assert_began(bag, back, log_ns[last + 1], UNIT)
    assert numbers(back[4]) == pytest.approx([gap_s], abs=0.051)


def test_jump(tables, bag):
    log_ns, stamp_ns, _, places = bag[UNIT]
    steps_m = np.linalg.norm(np.diff(places, axis=0), axis=1)
    speeds = steps_m / (np.diff(stamp_ns) / S)
    last = int(np.argmax(speeds))
    # Less the way of a hundredth of a second at walking speed, in whichever direction.
    size_m, way_m = steps_m[last], steps_m[:last].sum()
    row, = events(tables, 'pose jump')
    assert_began(bag, row, log_ns[last + 1], UNIT)
    told_m, percent, travelled_m = numbers(row[4])
    assert told_m == pytest.approx(size_m, abs=0.006 + 0.01)
    assert travelled_m == pytest.approx(way_m, abs=0.51)
    assert percent == pytest.approx(100.0 * size_m / way_m, abs=0.051 + 0.05)


def test_delay_of_a_stream(tables, bag):
    log_ns, delay_s = bag[LIDAR][0], delays_s(bag, LIDAR)
    late = np.flatnonzero(delay_s > DELAY_LIMIT_S)
    rose, = events(tables, 'delay rose')
    assert_began(bag, rose, log_ns[late[0]], LIDAR)
    fell, = events(tables, 'delay normal')
    assert_began(bag, fell, log_ns[late[-1] + 1], LIDAR)
    # Each tells the delay of the message that it was found by.
    told_ms, = numbers(rose[4])
    found = seconds(rose[1])
    near = np.abs(since_start_s(bag, log_ns) - found) < 0.051
    assert np.abs(1e3 * delay_s[near] - told_ms).min() < 0.51
    limit_ms, told_ms = numbers(fell[4])
    assert limit_ms == 1e3 * DELAY_LIMIT_S
    near = np.abs(since_start_s(bag, log_ns) - seconds(fell[1])) < 0.051
    assert np.abs(1e3 * delay_s[near] - told_ms).min() < 0.51


# Offset from motion


GRID_S, SMOOTH_S, REACH_S = 0.001, 0.05, 0.02


def offset_from_motion_s(bag):
    """
    Return by how much the IMU's turns seem later than the unit's, and the time that holds for.

    The lag at which the two angular velocities, smoothed alike, differ least.
    """
    origin_ns = bag[UNIT][1][0]
    unit_s, imu_s = ((bag[topic][1] - origin_ns) / S for topic in (UNIT, IMU))
    grid_s = np.arange(max(unit_s[0], imu_s[0]), min(unit_s[-1], imu_s[-1]), GRID_S)
    unit, imu = (
        np.column_stack([gaussian_filter1d(np.interp(grid_s, times_s, rates), SMOOTH_S / GRID_S)
                         for rates in bag[topic][2].T])
        for topic, times_s in ((UNIT, unit_s), (IMU, imu_s)))
    # Not across a silence, nor at the ends, where the smoothing runs out.
    margin_s = REACH_S + 4.0 * SMOOTH_S
    holds = (grid_s > grid_s[0] + margin_s) & (grid_s < grid_s[-1] - margin_s)
    for last in np.flatnonzero(np.diff(unit_s) > 0.1):
        holds &= (grid_s < unit_s[last] - margin_s) | (grid_s > unit_s[last + 1] + margin_s)
    where, reach = np.flatnonzero(holds), round(REACH_S / GRID_S)
    # The variance: a bias of the gyroscope is no difference in time.
    left = [(imu[where + lag] - unit[where]).var(axis=0).sum() for lag in range(-reach, reach + 1)]
    best = int(np.argmin(left))
    assert 0 < best < 2 * reach
    before, least, behind = left[best - 1:best + 2]
    vertex = 0.5 * (before - behind) / (before - 2.0 * least + behind)
    # What turns faster tells more of the lag: it holds for the middle of that.
    weight = np.square(np.diff(imu, axis=0)[where]).sum(axis=1)
    return ((best - reach + vertex) * GRID_S,
            origin_ns + S * np.average(grid_s[where], weights=weight))


def least_delay_line(bag, topic):
    """Return slope and end of the line below the delays: less skew, and less offset."""
    log_ns = bag[topic][0]
    return line_below((log_ns - log_ns[0]) / S, delays_s(bag, topic))


def test_offset_from_motion(tables, bag):
    lag_s, at_ns = offset_from_motion_s(bag)
    (unit_slope, unit_end_s), (imu_slope, imu_end_s) = (
        least_delay_line(bag, topic) for topic in (UNIT, IMU))
    end_ns = max(rows[0][-1] for rows in bag.values())
    # The clocks drift apart: the value is that at the end.
    at_end_s = lag_s + (unit_slope - imu_slope) * (end_ns - at_ns) / S
    rows = tables['Independent estimates side by side']
    (_, way, one_way_ms, _, _), motion, both = rows
    assert way == 'one way' and motion[0] == 'motion' and both[0] == 'from both'
    assert 0.0 < numbers(motion[2])[0] < 0.3
    # What the gyroscope's noise does to a lag over a minute is below a tenth of a millisecond.
    assert numbers(motion[1])[0] == pytest.approx(1e3 * at_end_s, abs=0.3)
    assert numbers(one_way_ms)[0] == pytest.approx(-1e3 * imu_end_s, abs=0.05)
    # The motion holds no delay, the one-way offsets hold the smallest one each.
    assert numbers(both[1])[0] == pytest.approx(
        1e3 * (at_end_s + imu_end_s - unit_end_s), abs=0.35)


# Stability of the clocks


BLOCK_NS = S // 2


def offset_cells(bag, topic):
    """Return less the smallest delay in every half second, NaN where nothing came."""
    log_ns, delay_s = bag[topic][0], delays_s(bag, topic)
    block = log_ns // BLOCK_NS
    cells = np.full(block[-1] - block[0] + 1, np.nan)
    for number in set(block.tolist()):
        cells[number - block[0]] = -delay_s[block == number].min()
    return cells


def tdev_s(cells, width):
    """ITU-T G.810, appendix II; an average counts if half of its cells are there."""
    place = np.arange(len(cells))
    there = ~np.isnan(cells)
    left = cells - np.polyval(np.polyfit(place[there], cells[there], 1), place)

    def average(begin):
        held = [value for value in left[begin:begin + width] if value == value]
        return sum(held) / len(held) if 2 * len(held) >= width else np.nan
    second = [average(begin + 2 * width) - 2.0 * average(begin + width) + average(begin)
              for begin in range(len(cells) - 3 * width + 1)]
    return np.sqrt(np.nanmean(np.square(second)) / 6.0)


def mtie_s(cells, width):
    """ITU-T G.810, appendix II: the largest peak to peak within any interval."""
    spans = []
    for begin in range(len(cells) - width):
        held = [value for value in cells[begin:begin + width + 1] if value == value]
        if len(held) >= 2:
            spans.append(max(held) - min(held))
    return max(spans)


def panels(html):
    """Return the two halves of the chart of stability as SVG text."""
    begin = html.index('<svg id="stability"')
    left, right = html[begin:html.index('</svg>', begin)].split('MTIE: largest change')
    return left, right


def drawn(panel):
    """Return tau (s) and value (ms) of the points of each curve, read off the panel's axes."""
    left, across = panel.split('<g class="xticks"')
    on_y = re.findall(r'y1="([\d.]+)" x2="[\d.]+" y2="[\d.]+" stroke="#e3e7ea"[^>]*/>'
                      r'<text[^>]*>([\d.]+)</text>', left)
    on_x = re.findall(r'x1="([\d.]+)" y1="[\d.]+"[^>]*/><text[^>]*>([\d.]+)</text>', across)
    scales = []
    for ticks in (on_x, on_y):
        places, values = np.array(ticks, dtype=float).T
        scales.append(np.polyfit(places, np.log10(values), 1))
    curves = {}
    for x, y, colour in re.findall(
            r'<circle cx="([\d.]+)" cy="([\d.]+)" r="2.6" fill="(#\w+)"', panel):
        curves.setdefault(colour, []).append(
            [10.0 ** np.polyval(scale, float(place)) for scale, place in zip(scales, (x, y))])
    return list(curves.values())


@pytest.mark.parametrize('half, measure', [(0, tdev_s), (1, mtie_s)])
def test_stability(html, bag, half, measure):
    curves = drawn(panels(html)[half])
    assert len(curves) == len(NAMES)
    for topic, curve in zip(NAMES, curves):
        cells = offset_cells(bag, topic)
        assert len(curve) >= 6
        for number, (tau_s, value_ms) in enumerate(curve):
            # A tenth of a pixel is half a percent of three decades on 230 of them.
            assert tau_s == pytest.approx(0.5 * 2 ** number, rel=0.01)
            assert value_ms == pytest.approx(1e3 * measure(cells, 2 ** number), rel=0.01)
