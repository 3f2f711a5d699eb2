# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offset and skew from one-way delays: right, and as sure as they say."""

from itertools import combinations

import numpy as np
import pytest
from robot_mapping_qa.timing.convex_hull import line_below, lower_hull
from robot_mapping_qa.timing.delay_line import Course
from robot_mapping_qa.timing.delay_slope import fit_slope
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.line_under import line_under
from robot_mapping_qa.timing.lower_edge import lower_edge, mean_lowest
from robot_mapping_qa.timing.one_way import BLOCK_NS, OneWayClock
from robot_mapping_qa.timing.stream import StreamTiming
from scipy.optimize import linprog
from timing_streams import queueing, seconds, START_NS, stream, watch

WARM_UP_S = 300.0


def clock_after(duration_s, kind, seed, drift_ppm_per_min=0.0, rate_hz=15.0, step_s=None,
                warm_up_ppm=0.0):
    """
    Run a clock on the least delayed message of each block, all that it keeps.

    It steps by 80 ms at ``step_s``.

    Return its errors of offset (against the truth less the smallest possible delay, s) and skew,
    and the same over their sigmas.
    """
    rng = np.random.default_rng(seed)
    offset_s, least_s = 0.037, 0.005
    skew = rng.uniform(-50e-6, 50e-6)
    drift = drift_ppm_per_min * 1e-6 / 60.0
    time = np.arange(round(rate_hz * duration_s)) / rate_hz
    warm_up = 1e-6 * warm_up_ppm
    offset = offset_s + skew * time + 0.5 * drift * time ** 2 \
        - warm_up * WARM_UP_S * np.exp(-time / WARM_UP_S)
    stepped = time >= (duration_s if step_s is None else step_s)
    offset += 0.08 * stepped
    delay = least_s + queueing(kind, len(time), rate_hz, rng)
    delay += np.where(rng.random(len(time)) < 0.03, rng.uniform(0.07, 0.2, len(time)), 0.0)
    keep = rng.random(len(time)) >= 0.05
    arrivals = np.rint((time + delay)[keep] * 1e9).astype(np.int64) + START_NS
    delays = np.rint((delay - offset)[keep] * 1e9).astype(np.int64)
    stepped = stepped[keep]
    blocks = 2 * (arrivals // BLOCK_NS) + stepped
    order = np.lexsort((delays, blocks))
    blocks = blocks[order]
    first = np.flatnonzero(np.diff(blocks, prepend=blocks[0] - 1))
    clock = OneWayClock()
    old = True
    for place in order[first]:
        if old and stepped[place]:
            old = False
            clock.change_clock(int(arrivals[place]), -0.08)
        clock.add(int(arrivals[place]), int(delays[place]))
    now_ns = int(arrivals.max())
    now_s = seconds(now_ns)
    least_now_s, sigma_s = clock.least(now_ns)
    skew_now = skew + drift * now_s + warm_up * np.exp(-now_s / WARM_UP_S)
    offset_error = -least_now_s - (offset[-1] + skew_now * (now_s - time[-1]) - least_s)
    skew_error = -clock.line.course.slope_at(now_ns) - skew_now
    return (offset_error, skew_error, offset_error / sigma_s,
            skew_error / clock.line.course.slope_sigma_at(now_ns))


def test_line_below_leaves_the_least_area_of_all_lines_below():
    """Moon, Skelly, Towsley 1999 state the problem as a linear program; scipy solves that."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        times = np.sort(rng.uniform(0.0, 60.0, 40))
        values = 0.02 + 3e-5 * times + rng.exponential(2e-3, 40)
        # Maximize sum(a + b t) subject to a + b t <= value.
        best = linprog([-len(times), -times.sum()], np.column_stack([np.ones(40), times]),
                       values, bounds=[(None, None)] * 2)
        slope, at_mean = line_below(times.tolist(), values.tolist())
        assert at_mean == pytest.approx(best.x[0] + best.x[1] * times.mean(), abs=1e-9)
        assert np.all(at_mean + slope * (times - times.mean()) <= values + 1e-12)


def test_hull_of_a_bowl_and_of_a_dome():
    times = [0.0, 1.0, 2.0, 3.0, 4.0]
    assert lower_hull(times, [4.0, 1.0, 0.0, 1.0, 4.0]) == [0, 1, 2, 3, 4]
    assert lower_hull(times, [0.0, 1.0, 2.0, 1.0, 0.0]) == [0, 4]


@pytest.mark.parametrize('kind', ['gamma', 'exponential'])
@pytest.mark.parametrize(('duration_s', 'skew_limit_ppm'), [(60.0, 5.0), (600.0, 1.0)])
def test_camera_clock_37_ms_off_and_25_ppm_fast_is_found(kind, duration_s, skew_limit_ppm):
    stamps, arrivals = stream(15.0, duration_s, np.random.default_rng(6), kind=kind,
                              least_s=0.018, offset_s=0.037, skew_ppm=25.0)
    figures = watch(stamps, arrivals)[0].figures()
    truth_s = 0.037 + 25e-6 * duration_s
    assert figures.offset_s == pytest.approx(truth_s - 0.018, abs=1e-3)
    assert figures.skew_ppm == pytest.approx(25.0, abs=skew_limit_ppm)
    assert figures.clock_steps == ()


def shares_within_two_sigma(kind, duration_s, drift, runs=200):
    scaled = np.array([clock_after(duration_s, kind, seed, drift)[2:] for seed in range(runs)])
    return np.mean(np.abs(scaled) < 2.0, axis=0)


@pytest.mark.parametrize(('kind', 'duration_s', 'drift'), [
    ('exponential', 300.0, 1.0), ('bimodal', 300.0, 0.0), ('bursty', 300.0, 1.0),
    ('gamma', 600.0, 0.0), ('gamma', 600.0, 1.0),
])
def test_truth_lies_within_two_sigma_in_90_to_99_per_cent(kind, duration_s, drift):
    offset, skew = shares_within_two_sigma(kind, duration_s, drift)
    assert 0.90 <= offset <= 0.99
    assert 0.90 <= skew <= 0.99


@pytest.mark.parametrize(('kind', 'warm_up_ppm'), [
    ('exponential', 5.0), ('gamma', 5.0), ('gamma', 20.0), ('slow', 20.0)])
def test_sigma_of_a_warming_clock_holds_the_truth(kind, warm_up_ppm):
    """Skew that changes by so much in all, exponentially within 300 s: 60 runs of ten minutes."""
    scaled = np.array([clock_after(600.0, kind, seed, warm_up_ppm=warm_up_ppm)[2:]
                       for seed in range(60)])
    offset, skew = np.mean(np.abs(scaled) < 2.0, axis=0)
    assert offset >= 0.85 and skew >= 0.85  # 0.90 less what 60 runs scatter


@pytest.mark.parametrize('kind', ['exponential', 'gamma', 'bimodal', 'bursty'])
@pytest.mark.parametrize('drift', [0.0, 1.0])
def test_a_minute_or_two_are_not_overconfident(kind, drift):
    """The sigma already allows for a drift that such a short time cannot show: never too small."""
    offset, skew = shares_within_two_sigma(kind, 90.0, drift, runs=100)
    assert offset >= 0.88  # 0.90 less what 100 runs scatter
    assert skew >= 0.88


def test_ten_minutes_know_the_skew_within_1_ppm_whatever_the_delays():
    for kind in ('exponential', 'gamma', 'bimodal', 'bursty', 'paused', 'two ways'):
        offset_error, skew_error, _, _ = clock_after(600.0, kind, 7)
        assert abs(offset_error) < 0.5e-3, kind
        assert abs(skew_error) < 1e-6, kind


def test_slewed_clock_is_followed_without_a_step():
    """A daemon that takes out 15 ms at 500 ppm: no step, and the right skew afterwards."""
    stamps, arrivals = stream(15.0, 300.0, np.random.default_rng(8), skew_ppm=10.0,
                              slew=(120.0, 150.0, 500.0), loss=0.05)
    figures = watch(stamps, arrivals)[0].figures()
    assert figures.clock_steps == ()
    assert figures.offset_s == pytest.approx(10e-6 * 300.0 + 0.015 - 0.02, abs=0.5e-3)
    assert figures.skew_ppm == pytest.approx(10.0, abs=2.0)


def test_skew_survives_a_step():
    stamps, arrivals = stream(15.0, 600.0, np.random.default_rng(9), skew_ppm=-20.0,
                              steps=[(300.01, 0.05)])
    figures = watch(stamps, arrivals)[0].figures()
    assert figures.skew_ppm == pytest.approx(-20.0, abs=1.0)
    assert figures.offset_s == pytest.approx(-20e-6 * 600.0 + 0.05 - 0.02, abs=0.5e-3)


def test_longer_way_for_a_while_does_not_look_like_a_moved_clock():
    stamps, arrivals = stream(15.0, 300.0, np.random.default_rng(10), skew_ppm=10.0,
                              delays=[(100.0, 160.0, 0.06)])
    watched, _ = watch(stamps, arrivals)
    moved_s, _ = watched.clock_moved(arrivals[-1])
    assert moved_s == pytest.approx(10e-6 * 297.0, abs=1e-3)
    assert watched.figures().clock_steps == ()


@pytest.mark.parametrize('extra_s', [0.146, -0.03, -0.146])
@pytest.mark.parametrize('until_s', [2.0, 3.5, 6.0])
def test_start_on_an_overloaded_computer_does_not_look_like_a_moved_clock(extra_s, until_s):
    """Delays that differ by much while the stream settles, and grow or shrink bit by bit."""
    rng = np.random.default_rng(12)
    times = np.arange(0.0, 90.0, 1.0 / 15.0)
    extra = np.interp(times, [0.0, 0.5 * until_s, until_s], [extra_s, extra_s, 0.0])
    delays = 0.035 + extra + rng.gamma(2.0, 1e-3, len(times))
    stamps = np.rint(times * 1e9).astype(np.int64) + START_NS
    arrivals = np.maximum.accumulate(stamps + np.rint(delays * 1e9).astype(np.int64))
    watched = StreamTiming(StreamSpec('camera', '/camera', rate_hz=15.0), TimingLimits())
    most_s = 0.0
    for stamp, arrival in zip(stamps.tolist(), arrivals.tolist()):
        watched.add(stamp, arrival)
        if watched.settled:
            most_s = max(most_s, abs(watched.clock_moved(arrival)[0]))
    assert most_s < 0.01  # half of what is allowed
    assert watched.figures().clock_steps == ()


def test_movement_without_a_step_is_never_faster_than_a_clock_can_be():
    """A computer that gets slower by 50 ms a second, as a queue fills."""
    stamps, arrivals = stream(15.0, 40.0, np.random.default_rng(13))
    arrivals = [arrival + max(0, round(0.05 * (arrival - arrivals[150]))) for arrival in arrivals]
    watched = StreamTiming(StreamSpec('camera', '/camera', rate_hz=15.0), TimingLimits())
    for stamp, arrival in zip(stamps, arrivals):
        watched.add(stamp, arrival)
        moved = watched.clock_moved(arrival)
        assert moved is None or abs(moved[0]) < 0.6e-3 * seconds(arrival) + 1e-3


@pytest.mark.parametrize('step_s', [None, 300.0])
def test_skew_through_a_slow_network_is_known_within_1_ppm_with_a_step_or_without(step_s):
    """10 Hz, delays of 6 ms on average that vary as widely; the step halves the run."""
    runs = np.array([clock_after(600.0, 'slow', seed, rate_hz=10.0, step_s=step_s)
                     for seed in range(30)])
    assert np.mean(np.abs(runs[:, 1]) <= 1e-6) >= 0.95
    assert np.mean(np.abs(runs[:, 3]) < 2.0) >= 0.88  # 0.90 less what 30 runs scatter


def test_parts_share_the_slope_and_not_the_level():
    """Two hundred points on each of three levels, the slope of all by numpy's least squares."""
    rng = np.random.default_rng(14)
    x = np.linspace(-300.0, 300.0, 600)
    parts = np.repeat([4, 2, 7], 200)
    y = 25e-6 * x + np.array([0.0, 0.5, -0.2])[np.repeat([0, 1, 2], 200)]
    y += rng.exponential(1e-4, 600)
    fit = fit_slope(x.tolist(), y.tolist(), parts.tolist(), 1e-12)
    assert fit.slope + fit.bend * (0.0 - fit.x) == pytest.approx(25e-6, abs=4 * fit.slope_sigma)
    design = np.column_stack([x, *(parts == part for part in (4, 2, 7))])
    plain = np.linalg.lstsq(design, y, rcond=None)[0][0]
    assert fit.slope == pytest.approx(plain, abs=2e-7)
    assert fit.slope_sigma < 0.1e-6


def test_bursts_leave_the_offset_where_it_was():
    """Bursts of ten seconds and more, one of them at the end, are no change of the clock."""
    delays = [(60.0, 75.0, 0.045), (140.0, 143.0, 0.030), (190.0, 206.0, 0.033),
              (285.0, 300.0, 0.041)]
    stamps, arrivals = stream(15.0, 300.0, np.random.default_rng(15), skew_ppm=10.0, delays=delays)
    figures = watch(stamps, arrivals)[0].figures()
    assert figures.offset_s == pytest.approx(10e-6 * 300.0 - 0.02, abs=0.3e-3)
    assert figures.skew_ppm == pytest.approx(10.0, abs=1.0)
    assert figures.clock_steps == ()


def test_delays_that_triple_do_not_look_like_a_skew():
    skews = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        times = np.arange(0.0, 600.0, 0.1)
        delays = 5e-3 + rng.gamma(2.0, 3e-3, len(times)) * np.where(times > 300.0, 3.0, 1.0)
        stamps = np.rint(times * 1e9).astype(np.int64) + START_NS
        arrivals = stamps + np.rint(delays * 1e9).astype(np.int64)
        order = np.argsort(arrivals)
        figures = watch(stamps[order].tolist(), arrivals[order].tolist())[0].figures()
        skews.append(figures.skew_ppm)
    assert np.sqrt(np.mean(np.square(skews))) < 0.8


@pytest.mark.parametrize('kind', ['exponential', 'gamma'])
def test_edge_of_delays_lies_within_two_sigma(kind):
    """The smallest possible delay is 0 by construction; 300 draws of 600 delays."""
    rng = np.random.default_rng(16)
    edges = np.array([lower_edge(queueing(kind, 600, 10.0, rng).tolist()) for _ in range(300)])
    share = np.mean(np.abs(edges[:, 0]) < 2.0 * edges[:, 1])
    assert 0.88 <= share <= 0.99


@pytest.mark.parametrize('rate_hz', [15.0, 2.0])
def test_edge_of_lognormal_delays_lies_within_two_sigma(rate_hz):
    """Softer than any power: the smallest possible delay is never met. 300 draws."""
    rng = np.random.default_rng(17)
    edges = np.array([lower_edge(rng.lognormal(
        np.log(2e-3), 0.8, (1200, round(rate_hz / 2.0))).min(axis=1).tolist())
        for _ in range(300)])
    share = np.mean(np.abs(edges[:, 0]) < 2.0 * edges[:, 1])
    assert 0.88 <= share <= 0.99


@pytest.mark.parametrize('count', [40, 120])
def test_edge_of_few_bimodal_delays_does_not_mind_the_longer_way(count):
    """Four in ten go the short way, the others take 25 ms longer: 300 draws at 2 Hz and below."""
    rng = np.random.default_rng(18)
    edges = np.array([lower_edge(queueing('bimodal', count, 2.0, rng).tolist())
                      for _ in range(300)])
    assert np.sqrt(np.mean(edges[:, 0] ** 2)) < 0.6e-3
    assert np.mean(np.abs(edges[:, 0]) < 2.0 * edges[:, 1]) >= 0.88


def test_mean_lowest_is_that_over_all_ways_to_deal():
    """Six values dealt to two sets of three, every way, counted one by one."""
    values = [1.0, 1.5, 2.0, 2.25, 2.5, 3.0]
    counted = np.mean([min(chosen) for chosen in combinations(values, 3)])
    assert mean_lowest(values, 2) == pytest.approx(counted, abs=1e-12)


def test_one_half_second_whose_messages_were_all_held_up_does_not_widen_a_new_line():
    course = Course(START_NS, 0.0, 50e-6, 0.0, 1e-8)
    times = [START_NS + number * BLOCK_NS for number in range(3)]
    least = [14_600_000, 42_300_000, 14_800_000]
    line = line_under(times, least, course, 0.6e-3)
    assert line.at(times[-1]) == pytest.approx(14.6e-3, abs=0.5e-3)
    assert line.level_sigma_s < 0.5e-3 and line.scatter_s == 0.6e-3
    # Where a clock has only begun nothing else is known: the middle one of three still tells.
    assert line_under(times, least, course, None).level_sigma_s < 0.5e-3


def test_skew_is_unknown_at_first():
    stamps, arrivals = stream(15.0, 2.0, np.random.default_rng(11))
    figures = watch(stamps, arrivals)[0].figures()
    assert figures.skew_ppm is None and figures.skew_sigma_ppm is None
    assert figures.offset_s == pytest.approx(-0.02, abs=2e-3)
