# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One stream: silence, lateness, unreadable messages, restarts of time, bounded memory."""

import gc
import sys
from types import FunctionType, ModuleType

import numpy as np
import pytest
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.stream import StreamTiming
from robot_mapping_qa.verdicts import EVENT_KINDS, Severity
from timing_streams import seconds, START_NS, stream, watch

MS = 1_000_000
SECOND = 1_000_000_000


def kinds(watched, now_ns):
    return [condition.kind for condition in watched.conditions(now_ns)]


def settled_stream(rate_hz=10.0, duration_s=10.0, **spec):
    stamps, arrivals = stream(rate_hz, duration_s, np.random.default_rng(1))
    watched, _ = watch(stamps, arrivals, **spec)
    return watched, stamps[-1], arrivals[-1]


def test_figures_are_those_of_the_stream():
    stamps, arrivals = stream(15.0, 120.0, np.random.default_rng(2), kind='gamma', least_s=0.02,
                              loss=0.05, silence=(60.0, 64.0))
    watched, _ = watch(stamps, arrivals)
    figures = watched.figures()
    delays = (np.array(arrivals) - np.array(stamps)) * 1e-9
    assert figures.messages == len(stamps)
    assert [figures.latency_p50_s, figures.latency_p95_s, figures.latency_p99_s] == pytest.approx(
        np.quantile(delays, [0.5, 0.95, 0.99]), rel=0.02)
    assert figures.period_s == pytest.approx(1.0 / 15.0, rel=1e-4)
    expected = round((stamps[-1] - stamps[0]) * 15e-9) + 1
    silent = round((figures.silences[0].to_ns - figures.silences[0].from_ns) * 15e-9)
    assert figures.lost == pytest.approx(expected - silent - len(stamps), abs=1)
    assert figures.rate_hz == pytest.approx(15.0 * 0.95, rel=0.01)
    assert figures.duplicated == figures.reordered == figures.backwards == 0


def test_delay_is_split_where_the_sending_time_is_known():
    watched = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits())
    for number in range(100):
        stamp = START_NS + number * 100 * MS
        watched.add(stamp, stamp + 30 * MS, stamp + 20 * MS, stamp + 31 * MS)
    figures = watched.figures()
    assert figures.acquisition_p50_s == pytest.approx(0.020, rel=0.01)
    assert figures.transport_p95_s == pytest.approx(0.010, rel=0.01)
    assert figures.executor_p99_s == pytest.approx(0.001, rel=0.01)


def test_what_was_not_measured_is_none():
    watched = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits())
    figures = watched.figures()
    assert figures.offset_s is figures.rate_hz is figures.latency_p50_s is figures.jitter_s is None
    assert figures.transport_p50_s is figures.skew_ppm is figures.period_s is None
    assert figures.messages == 0 and figures.silences == ()


def test_stream_is_not_seen_then_settles_then_is_well():
    watched = StreamTiming(StreamSpec('roof_lidar', '/roof/points'), TimingLimits())
    condition, = watched.conditions(START_NS)
    assert condition.key == 'roof_lidar/not_seen'
    assert condition.text == 'roof_lidar: no message yet on /roof/points'
    assert condition.severity is Severity.HARD
    stamps, arrivals = stream(10.0, 4.0, np.random.default_rng(3))
    for stamp, arrival in zip(stamps[:15], arrivals):
        watched.add(stamp, arrival)
    condition, = watched.conditions(arrivals[14])
    assert condition.key == 'roof_lidar/settling'
    assert condition.text == 'roof_lidar settling: 1.4 of 2.0 s'
    for stamp, arrival in zip(stamps[15:], arrivals[15:]):
        watched.add(stamp, arrival)
    assert watched.conditions(arrivals[-1]) == ()


def test_slow_stream_that_settles_says_how_many_messages_it_waits_for():
    watched = StreamTiming(StreamSpec('roof_lidar', '/roof/points'), TimingLimits())
    for second in range(5):
        watched.add(START_NS + second * 1_000_000_000, START_NS + second * 1_000_000_000 + 10)
    condition, = watched.conditions(START_NS + 4_000_000_010)
    assert condition.text == 'roof_lidar settling: 5 of 16 messages'


def test_conditions_of_a_stream_that_is_not_required_are_notices():
    watched = StreamTiming(StreamSpec('imu', '/imu', required=False), TimingLimits())
    assert [c.severity for c in watched.conditions(START_NS)] == [Severity.NOTICE]


@pytest.mark.parametrize(('rate_hz', 'limit_s'), [(10.0, 0.6), (100.0, 0.45)])
def test_silence_is_told_soon_after_the_first_missing_message(rate_hz, limit_s):
    watched, _, last_ns = settled_stream(rate_hz)
    missing_ns = last_ns + round(SECOND / rate_hz)
    told_ns = next(now_ns for now_ns in range(last_ns, last_ns + SECOND, 50 * MS)
                   if watched.tick(now_ns))
    assert told_ns - missing_ns <= limit_s * SECOND
    condition, = watched.conditions(told_ns)
    assert condition.key == 'camera/silent'
    assert condition.onset_ns == pytest.approx(missing_ns, abs=MS)
    later_ns = last_ns + 800 * MS
    assert watched.conditions(later_ns)[0].text == 'camera silent for 0.8 s'


def test_silence_is_booked_when_it_ends():
    watched, stamp, last_ns = settled_stream()
    watched.tick(last_ns + SECOND)
    event, = watched.add(stamp + 3 * SECOND, last_ns + 3 * SECOND)
    assert event.kind == 'stream_back'
    silence, = watched.figures().silences
    assert silence.from_ns == pytest.approx(last_ns + 100 * MS, abs=MS)
    assert silence.to_ns == last_ns + 3 * SECOND
    assert watched.conditions(last_ns + 3 * SECOND) == ()
    assert watched.figures().lost == 0


def test_silence_between_two_ticks_is_told_by_the_message_that_ends_it():
    watched, stamp, last_ns = settled_stream()
    events = watched.add(stamp + 3 * SECOND, last_ns + 3 * SECOND)
    assert [event.kind for event in events] == ['stream_lost', 'stream_back']


def test_silence_at_the_end_of_a_recording_is_in_the_figures():
    watched, _, last_ns = settled_stream()
    for now_ns in range(last_ns, last_ns + 2 * SECOND, 50 * MS):
        watched.tick(now_ns)
    silence, = watched.figures().silences
    assert seconds(silence.to_ns) == pytest.approx(seconds(last_ns) + 1.95, abs=0.01)


def test_lidar_delay_of_300_ms_is_told_within_a_quarter_second_of_the_first_late_message():
    stamps, arrivals = stream(10.0, 20.0, np.random.default_rng(4), kind='gamma', least_s=0.035,
                              delays=[(12.0, 15.0, 0.3)])
    watched, _ = watch(stamps[:120], arrivals[:120])
    first_late_ns = arrivals[120]
    watched.add(stamps[120], arrivals[120])
    assert watched.conditions(first_late_ns) == ()  # one late message is an accident
    events = watched.add(stamps[121], arrivals[121])
    assert arrivals[121] - first_late_ns < 250 * MS
    condition, = watched.conditions(arrivals[121])
    assert condition.kind == 'late' and condition.onset_ns == first_late_ns
    assert [event.kind for event in events] == ['delay_rose']
    for stamp, arrival in zip(stamps[122:], arrivals[122:]):
        events += watched.add(stamp, arrival)
    assert watched.conditions(arrivals[-1]) == ()
    assert [event.kind for event in events] == ['delay_rose', 'delay_normal']
    assert watched.figures().clock_steps == ()


def test_a_delay_that_falls_to_its_limit_is_not_called_ordinary():
    """A lidar of 37 ms whose queue empties slowly: at 101 ms it only keeps to its limit again."""
    delays_ms = [37] * 40 + [300] * 5 + [250, 200, 101, 60] + [37] * 10
    watched = StreamTiming(StreamSpec('roof_lidar', '/roof/points'), TimingLimits())
    events = ()
    for number, delay_ms in enumerate(delays_ms):
        stamp = START_NS + number * 100 * MS
        events += watched.add(stamp, stamp + delay_ms * MS)
    rose, normal = (event for event in events if event.kind.startswith('delay'))
    assert rose.text == 'roof_lidar delay rose to 300 ms'
    assert normal.text == 'roof_lidar delay is within its limit of 150 ms again: 101 ms'


@pytest.mark.parametrize(('back_ns', 'kind', 'where'), [
    (START_NS - 5 * SECOND, 'late', 'behind'), (-START_NS, 'ahead', 'ahead of')])
def test_stamps_of_another_epoch_are_named_and_give_no_latency(back_ns, kind, where):
    """Stamps of simulated time received in wall time: counted from zero, not from 1970."""
    watched = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits())
    for number in range(60):
        receive = START_NS + number * 100 * MS
        watched.add(receive - back_ns - 20 * MS, receive, receive - 5 * MS)
    condition, = watched.conditions(receive)
    assert condition.kind == kind
    assert condition.text.startswith(f'camera stamps lie 19676 days {where} the host')
    assert 'Simulated time on one side only' in condition.text
    figures = watched.figures()
    assert figures.latency_p50_s is figures.latency_p99_s is figures.acquisition_p95_s is None
    assert figures.transport_p50_s == pytest.approx(0.005, rel=0.02)


def test_stamps_from_the_future_are_told():
    stamps, arrivals = stream(10.0, 5.0, np.random.default_rng(5), offset_s=0.2)
    watched, _ = watch(stamps, arrivals)
    condition, = watched.conditions(arrivals[-1])
    assert condition.kind == 'ahead'
    assert 'ahead of the host' in condition.text


def test_unreadable_message_is_told_for_a_while():
    watched, stamp, last_ns = settled_stream()
    event, = watched.malformed(last_ns + 100 * MS, '12 bytes, at least 24 expected')
    assert event.kind == 'message_malformed' and '12 bytes' in event.text
    assert watched.malformed(last_ns + 200 * MS, 'again') == ()
    condition, = watched.conditions(last_ns + 300 * MS)
    assert (condition.kind, condition.seen_ns) == ('malformed', last_ns + 200 * MS)
    watched.add(stamp + 1500 * MS, last_ns + 1500 * MS)
    assert 'malformed' not in kinds(watched, last_ns + 1500 * MS)
    assert watched.figures().malformed == 2


def test_zero_stamps_are_told_and_are_no_delays():
    watched, stamp, last_ns = settled_stream()
    before = watched.figures()
    watched.add(0, last_ns + 100 * MS)
    assert kinds(watched, last_ns + 100 * MS) == ['unstamped']
    assert watched.figures().latency_p99_s == before.latency_p99_s
    assert watched.figures().unstamped == 1
    watched.add(stamp + 200 * MS, last_ns + 200 * MS)
    assert watched.conditions(last_ns + 200 * MS) == ()


def test_time_going_back_starts_the_watch_again():
    """A bag played in a loop, or a simulation that was reset."""
    stamps, arrivals = stream(15.0, 20.0, np.random.default_rng(6), skew_ppm=40.0)
    watched, _ = watch(stamps, arrivals)
    event, = watched.add(stamps[0], arrivals[0])
    assert event.kind == 'time_restarted'
    assert kinds(watched, arrivals[0]) == ['settling']
    events = ()
    for stamp, arrival in zip(stamps[1:], arrivals[1:]):
        events += watched.tick(arrival)
        events += watched.add(stamp, arrival)
    assert events == ()
    assert watched.conditions(arrivals[-1]) == ()
    figures = watched.figures()
    assert figures.messages == 600
    assert figures.clock_steps == () and figures.reordered == 0
    assert figures.offset_s == pytest.approx(40e-6 * 20.0 - 0.02, abs=1e-3)


def test_ticks_going_back_start_the_watch_again_too():
    watched, _, last_ns = settled_stream()
    watched.tick(last_ns)
    event, = watched.tick(last_ns - 5 * SECOND)
    assert event.kind == 'time_restarted'
    assert kinds(watched, last_ns - 5 * SECOND) == ['not_seen']


@pytest.mark.parametrize('stamp', [1, -1, 2 ** 31 * SECOND, -2 ** 63, 2 ** 63 - 1, 2 ** 70])
def test_no_stamp_breaks_anything(stamp):
    watched, _, last_ns = settled_stream()
    for number in range(1, 100):
        odd = stamp if number % 3 else last_ns + number * 100 * MS
        watched.add(odd, last_ns + number * 100 * MS)
        watched.tick(last_ns + number * 100 * MS)
        watched.conditions(last_ns + number * 100 * MS)
    figures = watched.figures()
    assert figures.messages == 199
    assert np.isfinite(figures.offset_s)


def test_random_stamps_and_times_break_nothing():
    rng = np.random.default_rng(7)
    watched = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits())
    now_ns = START_NS
    events = ()
    for _ in range(5000):
        now_ns += int(rng.choice([-5 * SECOND, 0, 1, 10 * MS, 100 * MS, 3 * SECOND],
                                 p=[0.002, 0.1, 0.098, 0.5, 0.29, 0.01]))
        stamp = now_ns + int(rng.choice([0, -20 * MS, SECOND, -10 ** 15], p=[0.1, 0.7, 0.1, 0.1]))
        events += watched.add(stamp, now_ns)
        events += watched.tick(now_ns)
        watched.conditions(now_ns)
    assert watched.figures().messages == 5000
    assert {event.kind for event in events} <= set(EVENT_KINDS)


def size_of(thing, seen):
    """Return the bytes of everything that is reachable from an object."""
    if id(thing) in seen or isinstance(thing, (type, FunctionType, ModuleType)):
        return 0
    seen.add(id(thing))
    return sys.getsizeof(thing) + sum(size_of(part, seen) for part in gc.get_referents(thing))


def test_memory_does_not_grow_with_the_run():
    """Over 1e6 messages: 83 min at 200 Hz, with a step and a silence every half minute."""
    watched = StreamTiming(StreamSpec('imu', '/imu'), TimingLimits())
    sizes = []
    shift = 0
    for number in range(1_000_000):
        if number % 6000 == 0:
            shift += 7 * MS if number % 12000 else -7 * MS
        if number % 6000 < 200:
            continue
        stamp = START_NS + number * 5 * MS
        watched.add(stamp + shift, stamp + 2 * MS + (number * 7919) % 500_000)
        if number in (400_000, 999_999):
            sizes.append(size_of(watched, set()))
    assert sizes[1] < 1.3 * sizes[0]
    assert sizes[1] < 2_000_000


def test_steps_that_cancel_within_a_moment_and_a_third_one_end_nothing():
    watched = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits())
    moved = ((5.0, 200 * MS), (5.8, 0), (6.6, 200 * MS))
    stamp = START_NS
    for number in range(20 * 25):
        stamp = START_NS + number * 50 * MS
        off = next((size for until, size in reversed(moved)
                    if number / 20.0 >= until), 0)
        watched.add(stamp + off, stamp + 30 * MS)
        watched.tick(stamp + 30 * MS)
    moved_s, sigma_s = watched.clock_moved(stamp)
    assert moved_s == pytest.approx(0.2, abs=0.001 + 3.0 * sigma_s)
    assert sum(step.size_s for step in watched.figures().clock_steps) == pytest.approx(
        0.2, abs=0.001)
