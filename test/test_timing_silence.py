# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Silence: told when it matters, once, and not of streams that keep no rhythm."""

import numpy as np
import pytest
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.stream import StreamTiming
from timing_streams import START_NS, TICK_NS, watch

MS, SECOND = 1_000_000, 1_000_000_000


def told(events):
    return [event.kind for event in events if event.kind in ('stream_lost', 'stream_back')]


def stamped(times_s):
    """Return stamps and arrivals of messages measured at times in seconds."""
    stamps = [START_NS + round(1e9 * time) for time in times_s]
    return stamps, [stamp + 5 * MS for stamp in stamps]


def random_times(seed, mean_s, count):
    return np.cumsum(np.random.default_rng(seed).exponential(mean_s, count))


@pytest.mark.parametrize('rate_hz', [30.0, 100.0])
def test_overloaded_computer_gives_one_pair_of_events_not_hundreds(rate_hz):
    """For a minute everything stands still for half of every second."""
    times = np.arange(0.0, 90.0, 1.0 / rate_hz)
    paused = (times > 10.0) & (times < 70.0) & (times % 1.0 < 0.5)
    stamps, arrivals = stamped(times[~paused])
    watched, events = watch(stamps, arrivals)
    # The first pause may be the only one.
    assert told(events) == ['stream_lost', 'stream_back'] * 2
    last = [event for event in events if event.kind == 'stream_back'][-1]
    assert last.text.endswith('silences')
    assert last.onset_ns == pytest.approx(START_NS + 71.5 * SECOND, abs=SECOND)
    assert len(watched.figures().silences) == pytest.approx(60, abs=1)


def test_stream_that_keeps_falling_silent_says_so_and_is_not_taken_for_well_in_between():
    times = np.arange(0.0, 20.0, 0.02)
    stamps, arrivals = stamped(times[(times < 10.0) | (times % 1.0 > 0.5)])
    watched, _ = watch(stamps, arrivals)
    condition, = watched.conditions(arrivals[-1])
    assert condition.kind == 'silent'
    assert condition.text == 'camera keeps falling silent: 10 times in 10.0 s'
    assert condition.for_the_record == 'camera fell silent 10 times'
    assert condition.onset_ns == pytest.approx(START_NS + 11 * SECOND, abs=0.1 * SECOND)


def test_stream_that_is_silent_again_tells_both_in_a_sentence_each():
    times = np.arange(0.0, 20.0, 0.02)
    stamps, arrivals = stamped(times[(times < 10.0) | (times % 1.0 > 0.5)])
    watched, _ = watch(stamps, arrivals)
    watched.tick(arrivals[-1] + 30 * SECOND)
    condition, = watched.conditions(arrivals[-1] + 30 * SECOND)
    assert condition.text == 'camera silent for 30.0 s. It fell silent 11 times in 40.0 s'
    assert condition.for_the_record == 'camera fell silent 11 times'


def test_message_that_was_handed_over_late_does_not_end_a_silence_before_it_began():
    stamps, arrivals = stamped(np.arange(0.0, 10.0, 0.1))
    watched, _ = watch(stamps, arrivals)
    # The monitor stands still: its tick comes first, then the messages of the meantime.
    assert told(watched.tick(arrivals[-1] + SECOND)) == ['stream_lost']
    event, = watched.add(stamps[-1] + 100 * MS, arrivals[-1] + 100 * MS)
    assert event.kind == 'stream_back'
    assert event.text == 'camera was not silent: this computer was late to take its messages'
    assert event.values['silence_s'] >= 0.0
    assert watched.figures().silences == ()


def test_a_computer_that_is_late_is_named_and_not_the_stream():
    """Messages every 10 ms, none missing; for 3 s each is taken 0.4 s after it came."""
    stamps, arrivals = stamped(np.arange(0.0, 13.0, 0.01))
    watched, events, texts = StreamTiming(StreamSpec('camera', '/camera'), TimingLimits()), [], []
    for stamp_ns, arrival_ns in zip(stamps, arrivals):
        late = 5 * SECOND < arrival_ns - START_NS < 8 * SECOND
        now_ns = arrival_ns + 400 * MS * late
        events += watched.tick(now_ns) + watched.add(stamp_ns, arrival_ns)
        texts += [condition.text for condition in watched.conditions(now_ns)] if late else []
    assert watched.figures().silences == ()
    assert told(events) == ['stream_lost', 'stream_back'] * 2
    assert events[-1].text == (
        'camera was not silent: this computer was late to take its messages')
    assert 'this computer is late to take the messages of camera' in texts
    assert not any('keeps falling silent' in text for text in texts)


@pytest.mark.parametrize('seed', range(2))
@pytest.mark.parametrize('mean_s', [0.05, 0.7, 3.0])
def test_stream_without_a_rhythm_is_not_lost_again_and_again(mean_s, seed):
    """Messages at random, whose longest interval of 1500 is seven times the mean."""
    stamps, arrivals = stamped(random_times(seed, mean_s, 1500))
    watched, events = watch(stamps, arrivals)
    while_learning = [event for event in events if event.detected_ns < arrivals[25]]
    assert told(while_learning) in ([], ['stream_lost', 'stream_back'], ['stream_lost'])
    assert told(events[len(while_learning):]) in ([], ['stream_back'])
    assert watched.conditions(arrivals[-1]) == ()


def test_end_of_a_stream_without_a_rhythm_is_told_all_the_same():
    stamps, arrivals = stamped(random_times(5, 0.7, 200))
    watched, _ = watch(stamps, arrivals)
    silent_ns = next(now_ns for now_ns in range(arrivals[-1], arrivals[-1] + 60 * SECOND, TICK_NS)
                     if watched.tick(now_ns)) - arrivals[-1]
    # An exponential's ninth decile is 2.3 times its mean.
    assert silent_ns == pytest.approx(5.0 * 2.3 * 0.7 * SECOND, rel=0.3)


def test_no_silence_is_negative_whatever_the_order_of_ticks_and_messages():
    rng = np.random.default_rng(6)
    for rate_hz in (None, 1.4, 50.0):
        watched = StreamTiming(StreamSpec('camera', '/camera', rate_hz=rate_hz), TimingLimits())
        now_ns, events = START_NS, ()
        intervals = rng.choice([MS, 20 * MS, 400 * MS, 1500 * MS], 3000, p=[0.2, 0.5, 0.25, 0.05])
        waits = rng.choice([0, 300 * MS, 700 * MS], 3000)
        for interval_ns, wait_ns in zip(intervals.tolist(), waits.tolist()):
            now_ns += interval_ns
            receive_ns = now_ns - wait_ns
            events += watched.tick(now_ns) + watched.add(receive_ns - 5 * MS, receive_ns)
        back = [event for event in events if event.kind == 'stream_back']
        assert back
        assert all(event.values['silence_s'] >= 0.0 and '-' not in event.text for event in back)
        assert all(silence.to_ns > silence.from_ns for silence in watched.figures().silences)
