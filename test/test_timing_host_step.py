# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""All clocks step and step back, or the host pauses: no hold stays behind, and none is missed."""

from math import hypot

import numpy as np
import pytest
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.monitor import TimingMonitor
from timing_streams import seconds, START_NS, stream, TICK_NS, watch_together

ROLES = {'unit': 'pose'}
RATES = {'unit': (100.0, 0.006), 'camera': (15.0, 0.018), 'lidar': (10.0, 0.035),
         'thermometer': (2.0, 0.01)}
CALM_S = 3.0
"""After the last step or pause all is well again within this time."""


def robot(seed, duration_s, steps=(), own=None):
    """Return four streams out of phase; ``steps`` are of all clocks, ``own`` of single ones."""
    rng = np.random.default_rng(seed)
    streams = {}
    for name, (rate_hz, least_s) in RATES.items():
        phase_s = rng.uniform(0.0, 1.0 / rate_hz)
        mine = [(at_s - phase_s, size_s) for at_s, size_s in (*steps, *(own or {}).get(name, ()))]
        stamps, arrivals = stream(rate_hz, duration_s, rng, least_s=least_s, steps=mine)
        phase_ns = round(1e9 * phase_s)
        streams[name] = ([stamp + phase_ns for stamp in stamps],
                         [arrival + phase_ns for arrival in arrivals])
    return streams


def host_steps(streams, steps):
    """Return the streams as received by a host whose clock steps."""
    return {name: (stamps, [arrival + sum(round(1e9 * size_s) for at_s, size_s in steps
                                          if seconds(arrival) > at_s) for arrival in arrivals])
            for name, (stamps, arrivals) in streams.items()}


def busy_robot(seed, duration_s, steps=(), pauses=(), load_s=0.02):
    """Return unit and camera of one busy computer: stamps and arrivals are late, and pause."""
    rng = np.random.default_rng(seed)

    def late(times, share):
        times = times + np.where(rng.random(len(times)) < share,
                                 rng.exponential(load_s, len(times)), 0.0)
        for from_s, length_s in pauses:
            inside = (times >= from_s) & (times < from_s + length_s)
            times[inside] = from_s + length_s
        return np.maximum.accumulate(times)

    count = round(50.0 * duration_s)
    times = late(np.arange(count) / 50.0 + rng.exponential(2e-4, count), 0.02)
    times = times[np.r_[True, np.diff(times) > 2e-3]]
    offsets = sum((np.where(times >= at_s, size_s, 0.0) for at_s, size_s in steps),
                  np.zeros(len(times)))
    streams = {}
    for name, every in (('unit', 1), ('camera', 5)):
        taken, offset = times[::every], offsets[::every]
        arrivals = late(taken + 1e-3 + rng.exponential(4e-4, len(taken)), 0.03)
        streams[name] = tuple((np.rint(part * 1e9).astype(np.int64) + START_NS).tolist()
                              for part in (taken + offset, arrivals))
    return streams


def hold_up(streams, seed, until_s):
    """Return the streams as received by a host that holds some of them up four times a second."""
    rng = np.random.default_rng(seed)
    held = {name: np.array(arrivals) for name, (_, arrivals) in streams.items()}
    for from_s in np.sort(rng.uniform(0.0, until_s, rng.poisson(4.0 * until_s))):
        length_s, every = rng.uniform(0.02, 0.2), rng.random() < 0.3
        for arrivals in held.values():
            if every or rng.random() < 0.5:
                end_ns = START_NS + round(1e9 * (from_s + length_s))
                inside = (arrivals >= end_ns - round(1e9 * length_s)) & (arrivals < end_ns)
                arrivals[inside] = end_ns
    return {name: (stamps, np.maximum.accumulate(held[name]).tolist())
            for name, (stamps, _) in streams.items()}


def wrong(verdicts, from_s):
    """Return the keys of what is wrong after a time."""
    return {condition.key for verdict in verdicts if seconds(verdict.stamp_ns) > from_s
            for condition in verdict.conditions}


def told_of(events, subject):
    return [event.values['size_s'] for event in events
            if event.kind == 'clock_step' and event.subject == subject]


@pytest.mark.parametrize('size_s', [0.3, -0.3, 0.04])
@pytest.mark.parametrize('seed', range(2))
def test_stamps_that_all_step_and_step_back_leave_no_hold(size_s, seed):
    back_s = 15.5 + 0.37 * seed
    steps = [(12.1 + 0.17 * seed, size_s), (back_s, -size_s)]
    _, events, verdicts = watch_together(robot(seed, 20.0, steps), 20.0, ROLES)
    assert wrong(verdicts, back_s + CALM_S) == set()
    for name in RATES:
        assert told_of(events, name) == pytest.approx([size_s, -size_s], abs=2e-3)
    assert told_of(events, 'host') == []


@pytest.mark.parametrize('size_s', [0.3, -0.3, 0.1, -0.8])
def test_host_that_steps_and_steps_back_is_told_twice_and_leaves_no_hold(size_s):
    steps = [(12.3, size_s), (17.2 + max(0.0, size_s), -size_s)]
    _, events, verdicts = watch_together(host_steps(robot(1, 24.0), steps), 24.0, ROLES)
    assert wrong(verdicts, 17.2 + abs(size_s) + CALM_S) == set()
    there_s, back_s = told_of(events, 'host')
    assert there_s == pytest.approx(size_s, abs=5e-3)
    assert back_s == -there_s  # the limits have come back to exactly what they were
    assert {event.subject for event in events if event.kind == 'clock_step'} == {'host'}


def test_limits_follow_the_host_and_come_back():
    """After the step back a stamp 60 ms ahead is held as on the first day (limit 50 ms)."""
    for size_s in (0.3, -0.3):
        steps = [(12.3, size_s), (17.2 + max(0.0, size_s), -size_s)]
        streams = host_steps(robot(3, 24.0), steps)
        monitor, _, _ = watch_together(streams, 24.0, ROLES)
        for ahead_s, kinds in ((0.04, []), (0.06, ['ahead'])):
            for number in range(3):
                receive = START_NS + round((24.0 + 0.0667 * number) * 1e9)
                monitor.add('camera', receive + round(1e9 * ahead_s), receive)
            assert [c.kind for c in monitor.streams['camera'].conditions(receive)] == kinds


@pytest.mark.parametrize('size_s', [0.3, -0.3, -0.8])
def test_step_and_step_back_on_a_busy_computer_leave_no_hold_for_good(size_s):
    """Stamps are late themselves by 20 ms now and then: steps are found late and sized wrongly."""
    for seed in range(12):
        back_s = 13.0 + 0.2 * seed
        streams = busy_robot(seed, back_s + 8.0, [(10.6, size_s), (back_s, -size_s)])
        _, _, verdicts = watch_together(streams, back_s + 8.0, ROLES, TimingLimits(
            settle_s=1.0, silence_s=0.7, delay_limit_s=0.5))
        assert wrong(verdicts, back_s + 7.0) == set(), seed


@pytest.mark.parametrize('size_s', [0.3, -0.8])
def test_steps_soon_after_the_start_that_go_back_leave_no_hold(size_s):
    """The first comes when the streams have hardly settled, the next ones leave no calm time."""
    for seed in range(15):
        rng = np.random.default_rng(seed)
        starts = 2.7 + rng.uniform(0.0, 0.9) + np.r_[0.0, np.cumsum(rng.uniform(3.0, 4.5, 4))]
        steps = [step for at_s in starts for step in ((at_s, size_s), (at_s + 1.0, -size_s))]
        end_s = starts[-1] + 11.0
        _, _, verdicts = watch_together(busy_robot(seed, end_s, steps), end_s, ROLES, TimingLimits(
            settle_s=1.0, silence_s=0.7, delay_limit_s=0.5))
        assert wrong(verdicts, end_s - 3.0) == set(), seed


@pytest.mark.parametrize('size_s', [0.3, -0.1])
def test_step_of_a_busy_host_that_lasts_leaves_no_hold(size_s):
    """A stream that takes it for a step of its own clock is set right by the others."""
    for seed in range(4):
        streams = host_steps(busy_robot(seed, 24.0), [(12.3 + 0.13 * seed, size_s)])
        _, events, verdicts = watch_together(streams, 22.0, ROLES)
        assert told_of(events, 'host') == pytest.approx([size_s], abs=0.01), seed
        assert wrong(verdicts, 20.5) == set(), seed


def test_host_that_pauses_has_not_stepped():
    limits = TimingLimits(silence_s=0.7, delay_limit_s=0.5)
    for seed in range(12):
        pauses = [(10.2, 1.0 + 0.08 * seed), (12.6, 0.6)]
        streams = busy_robot(seed, 19.0, pauses=pauses)
        _, events, verdicts = watch_together(streams, 19.0, ROLES, limits)
        assert [event.text for event in events if event.kind == 'clock_step'] == [], seed
        assert wrong(verdicts, 13.2 + CALM_S) == set(), seed


@pytest.mark.parametrize('size_s', [0.08, -0.08])
def test_a_clock_that_is_back_is_known_as_well_as_before_though_messages_are_held_up(size_s):
    """Few half seconds after a step show no smallest delay where all their messages were late."""
    for seed in range(20):
        steps = [(7.0, size_s), (8.5, -size_s)]
        streams = hold_up(robot(seed, 14.0, own={'camera': steps}), seed, 14.0)
        _, _, verdicts = watch_together(
            {name: streams[name] for name in ('unit', 'camera')}, 14.0, ROLES)
        for verdict in verdicts:
            now_s, figures = seconds(verdict.stamp_ns), verdict.figures
            if 4.0 < now_s < 7.0 or now_s > 10.0:
                error_s = hypot(figures['camera/time_error_s'],
                                figures['camera/time_error_sigma_s'])
                assert error_s < 5e-3, f'seed {seed} after {now_s:.2f} s'


@pytest.mark.parametrize('apart_s', [-0.9, -0.3, 0.0, 0.4, 0.9])
@pytest.mark.parametrize('size_s', [0.08, -0.08])
def test_step_of_one_clock_is_held_though_the_host_steps_within_a_second(apart_s, size_s):
    for kind in ('stamps', 'host'):
        own = {'camera': [(12.3 + apart_s, size_s)]}
        if kind == 'stamps':
            streams = robot(4, 22.0, [(12.3, 0.3), (15.4, -0.3)], own)
        else:
            streams = host_steps(robot(4, 22.0, (), own), [(12.3, 0.3), (15.7, -0.3)])
        _, _, verdicts = watch_together(streams, 22.0, ROLES)
        # Until it is known which clock stepped, the delays hold.
        assert all(verdict.conditions for verdict in verdicts
                   if seconds(verdict.stamp_ns) > 13.6), kind
        assert wrong(verdicts, 20.0) == {'camera/clock_moved'}, kind


def watch_host(streams, until_s, host_ns, looks=lambda time_s: True):
    """
    Feed a live monitor whose host shows ``host_ns`` of a true time, which it ticks by.

    Return it, the events and (true time in seconds, verdict) of each tick, none where nobody
    ``looks``.
    """
    monitor = TimingMonitor([StreamSpec(name, '/' + name, ROLES.get(name, 'timing'))
                             for name in streams], TimingLimits())
    happened = sorted((arrival, name, stamp) for name, (stamps, arrivals) in streams.items()
                      for stamp, arrival in zip(stamps, arrivals))
    happened += [(tick_ns, '', 0) for tick_ns in range(
        START_NS, START_NS + round(until_s * 1e9), TICK_NS) if looks(seconds(tick_ns))]
    events, verdicts = [], []
    for time_ns, name, stamp in sorted(happened):
        now_ns = host_ns(time_ns)
        if name:
            events += monitor.add(name, stamp, now_ns)
        else:
            events += monitor.tick(now_ns)
            verdicts.append((seconds(time_ns), monitor.verdict(now_ns)))
    return monitor, events, verdicts


def set_right(at_s, size_s):
    """Return a host's time that is behind by ``size_s`` until it is set."""
    return lambda time_ns: time_ns if seconds(time_ns) >= at_s else time_ns - round(1e9 * size_s)


@pytest.mark.parametrize('size_s', [0.5, 0.1, -0.5])
@pytest.mark.parametrize('at_s', [6.0, 12.3])
def test_host_that_was_wrong_and_is_set_right_leaves_no_hold(size_s, at_s):
    _, events, verdicts = watch_host(robot(5, 20.0), 20.0, set_right(at_s, size_s))
    assert told_of(events, 'host') == pytest.approx([size_s], abs=5e-3)
    kinds = [{c.kind for c in verdict.conditions} for _, verdict in verdicts]
    before = [kind for (time_s, _), kind in zip(verdicts, kinds) if 3.0 < time_s < at_s]
    assert all('ahead' in kind if size_s > 0.0 else 'late' in kind for kind in before)
    assert [kind for (time_s, _), kind in zip(verdicts, kinds)
            if time_s > at_s + CALM_S and kind] == []


@pytest.mark.parametrize('size_s', [700.0, 86400.0, 1.69e9])
@pytest.mark.parametrize('at_s', [1.0, 4.1, 12.3])
def test_host_that_leaps_by_minutes_or_years_is_watched_anew(size_s, at_s):
    """A host without a battery begins in 1970; NTP sets it."""
    monitor, events, verdicts = watch_host(robot(6, 22.0), 22.0, set_right(at_s, size_s))
    assert sorted(event.subject for event in events if event.kind == 'time_restarted') == \
        sorted(RATES)
    # A slow stream of 2 Hz needs 16 messages.
    assert [(time_s, c.key) for time_s, verdict in verdicts for c in verdict.conditions
            if time_s > at_s + 2.0 + CALM_S and c.subject != 'thermometer'] == []
    assert verdicts[-1][1].conditions == ()
    for name, (_, least_s) in RATES.items():
        figures = monitor.figures(name)
        assert figures.offset_s == pytest.approx(-least_s, abs=2e-3), name
        assert figures.offset_sigma_s < 2e-3, name


def test_computer_that_slept_for_a_quarter_of_an_hour_has_not_leapt():
    """What was taken just before comes late; a clock that had stepped is still held."""
    slept_s = (14.0, 914.0)
    streams = robot(7, 920.0, own={'camera': [(10.2, 0.08)]})
    awake = {}
    for name, pair in streams.items():
        stamps, arrivals = np.array(pair)
        asleep = (arrivals >= START_NS + round(1e9 * (slept_s[0] - 0.02))) & (
            arrivals < START_NS + round(1e9 * slept_s[1]))
        # The last two wait in a buffer, the others are lost.
        buffered = np.flatnonzero(asleep)[:2]
        arrivals[buffered] = START_NS + round(1e9 * slept_s[1])
        asleep[buffered] = False
        awake[name] = stamps[~asleep].tolist(), arrivals[~asleep].tolist()
    _, events, verdicts = watch_host(
        awake, 920.0, lambda time_ns: time_ns,
        lambda time_s: not slept_s[0] <= time_s < slept_s[1])
    assert [event.text for event in events if event.kind == 'time_restarted'] == []
    assert {c.key for c in verdicts[-1][1].conditions} == {'camera/clock_moved'}


def test_sensor_that_was_off_for_ten_minutes_and_forgot_the_time_is_not_a_host_that_leapt():
    streams = {name: pair for name, pair in robot(8, 640.0).items() if name != 'unit'}
    stamps, arrivals = streams['camera']
    streams['camera'] = zip(*(
        (stamp - (0 if seconds(arrival) < 12.0 else 3_600_000_000_000), arrival)
        for stamp, arrival in zip(stamps, arrivals)
        if not 12.0 <= seconds(arrival) < 630.0))
    _, events, verdicts = watch_host(streams, 640.0, lambda time_ns: time_ns)
    assert [event.text for event in events if event.kind == 'time_restarted'] == []
    assert {c.key for c in verdicts[-1][1].conditions} >= {'camera/clock_moved'}
