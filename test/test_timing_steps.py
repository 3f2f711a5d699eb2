# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Clock steps are found, sized and dated; nothing else is taken for one."""

import numpy as np
import pytest
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.stream import StreamTiming
from timing_streams import seconds, stream, watch

KINDS = ('none', 'exponential', 'gamma', 'bursty', 'paused', 'two ways')


def steps_found(stamps, arrivals, **spec):
    """Return (onset s, size s, s until it was found) of each step."""
    watched, events = watch(stamps, arrivals, **spec)
    found = {}
    for event in events:
        if event.kind == 'clock_step':
            found.setdefault(event.onset_ns, event.detected_ns)
    return [(seconds(step.at_ns), step.size_s, (found[step.at_ns] - step.at_ns) * 1e-9)
            for step in watched.figures().clock_steps]


@pytest.mark.parametrize('rate_hz', [10.0, 15.0, 30.0, 100.0, 200.0])
@pytest.mark.parametrize('size_s', [0.005, -0.005, 0.02, -0.08, 0.08, -0.25, 1.5, -40.0])
def test_step_is_found_within_a_second_and_sized_within_a_millisecond(rate_hz, size_s):
    stamps, arrivals = stream(rate_hz, 15.0, np.random.default_rng(1), kind='gamma', loss=0.03,
                              offset_s=0.013, skew_ppm=17.0, steps=[(12.01, size_s)])
    (at_s, found_s, late_s), = steps_found(stamps, arrivals)
    assert at_s == pytest.approx(12.01, abs=0.2)
    assert found_s == pytest.approx(size_s, abs=1e-3)
    assert late_s < 1.0


@pytest.mark.parametrize('periods', [1, 2, 5, -1, -2, -7])
@pytest.mark.parametrize('rate_hz', [10.0, 15.0, 100.0])
def test_step_by_whole_periods_keeps_the_grid_and_is_found_all_the_same(rate_hz, periods):
    stamps, arrivals = stream(rate_hz, 20.0, np.random.default_rng(2), kind='exponential',
                              steps=[(12.01, periods / rate_hz)])
    (_, found_s, late_s), = steps_found(stamps, arrivals)
    assert found_s == pytest.approx(periods / rate_hz, abs=1e-3)
    assert late_s < 1.0


@pytest.mark.parametrize('size_s', [0.001, -0.001, 0.002, -0.002])
def test_step_of_a_millisecond_is_found_where_delays_are_steady(size_s):
    stamps, arrivals = stream(15.0, 20.0, np.random.default_rng(3), kind='none',
                              steps=[(12.01, size_s)])
    (_, found_s, _), = steps_found(stamps, arrivals)
    assert found_s == pytest.approx(size_s, abs=0.1e-3)


@pytest.mark.parametrize('size_s', [0.08, -0.08])
def test_camera_step_of_80_ms_is_found_with_the_third_message(size_s):
    stamps, arrivals = stream(15.0, 20.0, np.random.default_rng(4), kind='gamma',
                              least_s=0.018, steps=[(12.01, size_s)])
    (_, _, late_s), = steps_found(stamps, arrivals)
    assert late_s < 0.2


def test_stamps_that_jitter_more_than_the_tolerance_still_show_a_step():
    rng = np.random.default_rng(5)
    stamps, arrivals = stream(30.0, 30.0, rng, kind='gamma', steps=[(15.01, -0.012)])
    stamps = [stamp + int(error) for stamp, error in zip(stamps, rng.normal(0, 1e6, len(stamps)))]
    (at_s, found_s, _), = steps_found(stamps, arrivals)
    assert at_s == pytest.approx(15.0, abs=0.5)
    assert found_s == pytest.approx(-0.012, abs=1e-3)


@pytest.mark.parametrize('size_s', [-0.1293, 0.0443])
def test_step_by_nearly_whole_periods_is_sized_by_the_grid_as_well(size_s):
    """What is left of a period is less than the stamps jitter by."""
    rng = np.random.default_rng(6)
    stamps, arrivals = stream(69.0, 30.0, rng, kind='none', steps=[(15.01, size_s)])
    stamps = [stamp + int(error) for stamp, error in zip(stamps, rng.normal(0, 2e5, len(stamps)))]
    (_, found_s, _), = steps_found(stamps, arrivals)
    assert found_s == pytest.approx(size_s, abs=0.5e-3)


@pytest.mark.parametrize('rate_hz', [15.0, 50.0, 110.0])
@pytest.mark.parametrize('part', [0.1, 0.3, 0.5, 0.8])
def test_sensor_that_takes_up_another_phase_has_not_stepped(rate_hz, part):
    """It starts anew: stamps and arrivals move together by a part of a period."""
    for seed in range(4):
        times = np.array(stream(rate_hz, 25.0, np.random.default_rng(seed), kind='gamma',
                                loss=0.05))
        times += np.where(times[1] >= times[1, 0] + 15 * 10 ** 9, round(1e9 * part / rate_hz), 0)
        assert steps_found(*times.tolist()) == []


@pytest.mark.parametrize('rate_hz', [10.0, 15.0])
@pytest.mark.parametrize('size_s', [-0.005, -0.012])
def test_step_that_hides_in_two_ways_of_the_messages_is_found_within_a_second(rate_hz, size_s):
    """Six in ten messages take 25 ms longer; at the slow rates of cameras and lidars."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        step_s = 14.0 + rng.uniform()
        stamps, arrivals = stream(rate_hz, 20.0, rng, kind='bimodal', loss=0.05, reordered=0.02,
                                  steps=[(step_s, size_s)])
        (at_s, found_s, late_s), = steps_found(stamps, arrivals)
        assert found_s == pytest.approx(size_s, abs=1e-3), seed
        assert at_s + late_s - step_s < 1.0, seed


@pytest.mark.parametrize('size_s', [0.0218, -0.0218, 0.062, -0.142])
@pytest.mark.parametrize('before_s', [0.4, 1.0, 2.5])
def test_step_while_all_messages_take_a_longer_way_is_found_within_a_second(size_s, before_s):
    """For 3 s they take 40 ms longer: the step comes just after that began, or later."""
    for seed in range(4):
        stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(seed), loss=0.05,
                                  reordered=0.02, steps=[(20.4, size_s)],
                                  delays=[(20.4 - before_s, 23.4 - before_s, 0.06)])
        (at_s, found_s, late_s), = steps_found(stamps, arrivals)
        assert found_s == pytest.approx(size_s, abs=1e-3), seed
        assert at_s + late_s - 20.4 < 1.0, seed


def test_message_of_before_that_comes_late_does_not_hide_a_step():
    """The second message after the step is one of before, overtaken by the first."""
    stamps, arrivals = stream(10.0, 30.0, np.random.default_rng(11), kind='none',
                              steps=[(20.01, -0.0979)])
    place = next(k for k, arrival in enumerate(arrivals) if seconds(arrival) > 20.05) - 1
    stamps.insert(place + 1, stamps.pop(place))
    arrivals.insert(place + 1, arrivals.pop(place) + 145_000_000)
    assert arrivals == sorted(arrivals)
    (at_s, found_s, late_s), = steps_found(stamps, arrivals)
    assert found_s == pytest.approx(-0.0979, abs=0.1e-3)
    assert late_s < 0.5


@pytest.mark.parametrize('kind', ['none', 'gamma', 'bimodal'])
@pytest.mark.parametrize('shift_s', [0.0045, -0.0045, 0.009])
def test_sensor_that_measures_at_another_phase_has_not_stepped(kind, shift_s):
    """Its stamps leave their grid, and so do its messages: the delay is what it was."""
    for seed in range(4):
        stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(seed), kind=kind, loss=0.05)
        moved = [(shift_s if seconds(stamp) > 20.0 else 0.0) * 1e9 for stamp in stamps]
        assert steps_found(*([time + round(by) for time, by in zip(times, moved)]
                             for times in (stamps, arrivals))) == [], seed


@pytest.mark.parametrize('size_s', [0.0523, -0.241])
@pytest.mark.parametrize('skew_ppm', [80.0, -80.0])
def test_step_of_a_slow_stream_whose_clock_drifts_more_than_its_delays_scatter(size_s, skew_ppm):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        stamps, arrivals = stream(5.0, 40.0, rng, kind='none', loss=0.2, skew_ppm=skew_ppm,
                                  steps=[(30.1, size_s)])
        (_, found_s, late_s), = steps_found(stamps, arrivals)
        assert found_s == pytest.approx(size_s, abs=1e-3), seed
        assert late_s < 1.0, seed


def test_two_steps_cancel_and_leave_both_in_the_figures():
    stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(6),
                              steps=[(10.01, 0.08), (15.01, -0.08)])
    assert [round(size_s, 3) for _, size_s, _ in steps_found(stamps, arrivals)] == [0.08, -0.08]


def test_source_that_comes_back_with_another_clock_has_stepped():
    stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(7), steps=[(12.0, -0.4)],
                              silence=(10.0, 15.0))
    (at_s, found_s, _), = steps_found(stamps, arrivals)
    assert at_s == pytest.approx(15.0, abs=0.1)
    assert found_s == pytest.approx(-0.4, abs=3e-3)


def test_source_that_comes_back_with_its_old_clock_has_not():
    stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(8), silence=(10.0, 15.0))
    assert steps_found(stamps, arrivals) == []


def test_messages_held_up_for_seconds_are_no_step():
    """A network that drops out and then delivers what it kept."""
    stamps, arrivals = stream(15.0, 30.0, np.random.default_rng(9))
    out = [(stamp, max(arrival, arrivals[225]) if 150 <= place < 225 else arrival)
           for place, (stamp, arrival) in enumerate(zip(stamps, arrivals))]
    assert steps_found(*zip(*out)) == []


@pytest.mark.parametrize('kind', KINDS)
@pytest.mark.parametrize('rate_hz', [10.0, 30.0])
@pytest.mark.parametrize('trouble', [
    {}, {'reordered': 0.05}, {'duplicated': 0.03, 'in_order': True},
    {'slew': (10.0, 30.0, 500.0)}, {'slew': (10.0, 30.0, -500.0)},
    {'delays': [(10.0, 20.0, 0.3)]}, {'delays': [(10.0, 20.0, 0.3)], 'in_order': True},
], ids=lambda trouble: '+'.join(trouble) or 'loss only')
def test_no_step_where_there_is_none(kind, rate_hz, trouble):
    stamps, arrivals = stream(rate_hz, 40.0, np.random.default_rng(10), kind=kind, loss=0.05,
                              skew_ppm=-30.0, **trouble)
    assert steps_found(stamps, arrivals) == []


@pytest.mark.parametrize('size_s', [0.08, -0.08])
@pytest.mark.parametrize('hiccup', [False, True])
def test_a_camera_that_steps_and_comes_back_is_seen_both_times_within_a_quarter_second(
        size_s, hiccup):
    for seed in range(30):
        rng = np.random.default_rng(seed)
        times = np.arange(15 * 16) / 15.0 + rng.uniform(0.0, 1.0 / 15.0)
        stepped = (times >= 10.0) & (times < 13.0)
        arrivals = times + 0.018 + rng.gamma(2.0, 0.001, len(times))
        if hiccup:
            # One picture held up while few are known since the step.
            arrivals[np.searchsorted(times, 11.0)] += 0.05
        arrivals = np.maximum.accumulate(arrivals)
        watched = StreamTiming(
            StreamSpec('front_camera', '/front/camera_info', 'capture', 15.0), TimingLimits())
        found = []
        for stamp_s, arrival_s in zip(times + size_s * stepped, arrivals):
            found += [event for event in watched.add(
                round((1000.0 + stamp_s) * 1e9), round((1000.0 + arrival_s) * 1e9))
                if event.kind == 'clock_step']
        assert [event.values['size_s'] for event in found] == pytest.approx(
            [size_s, -size_s], abs=1e-3), seed
        for event, at_s in zip(found, (10.0, 13.0)):
            first_s = 1000.0 + arrivals[np.searchsorted(times, at_s)]
            assert event.detected_ns * 1e-9 - first_s < 0.25, seed
