# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Everything that is watched about the time of one stream."""

from __future__ import annotations

from collections import deque

from robot_mapping_qa.restart import RESTART_NS
from robot_mapping_qa.timing import delay_words
from robot_mapping_qa.timing.clock_series import ClockSeries
from robot_mapping_qa.timing.delay_limits import DelayLimits
from robot_mapping_qa.timing.delay_parts import DelayParts
from robot_mapping_qa.timing.delay_variation import DelayVariation
from robot_mapping_qa.timing.figures import ClockStep, StreamFigures
from robot_mapping_qa.timing.leap_watch import LeapWatch
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.ordinary import LEARNED
from robot_mapping_qa.timing.sequence import StampSequence
from robot_mapping_qa.timing.silence import SilenceWatch
from robot_mapping_qa.timing.steps import Settled, Step, StepDetector
from robot_mapping_qa.timing.stream_clock import StreamClock
from robot_mapping_qa.verdicts import Condition, Event

KEPT = 1000
"""Steps that are kept, the newest."""
ONE_STEP_NS = 2_000_000_000
"""What looks like a second step within two seconds is a better size of the first."""


class StreamTiming:
    """
    Stamps, delays and clock of one stream.

    Feed it every message in order of arrival, and `tick` about twenty times a second.
    """

    def __init__(self, spec: StreamSpec, limits: TimingLimits) -> None:
        """Watch the stream of ``spec``."""
        self.spec = spec
        self._limits = limits
        self._settle_ns = round(1e9 * limits.settle_s)
        self._severity = spec.severity

        self.messages = 0
        self.malformed_count = self.unstamped_count = 0
        self.delays = DelayParts()
        """Where the time to the program goes, over the whole run."""
        self._sequence = StampSequence()
        self._variation = DelayVariation()
        self._detector = StepDetector(limits.step_s, spec.rate_hz)
        self._series = ClockSeries()
        self._steps: deque[ClockStep] = deque(maxlen=KEPT)
        self._silence = SilenceWatch(spec, limits)
        self._delay_limits = DelayLimits(spec, limits)
        self._leap = LeapWatch()
        self._watched_ns = 0
        self._intervals = 0
        self._malformed_why = ''
        self._start_over()

    def _start_over(self) -> None:
        """Forget everything about the clock and the present state; counts stay."""
        self._detector.restart()
        self._clock = StreamClock()
        self._delay_limits.restart()
        self._leap.restart()
        self._series.restart()
        self._sequence.restart()
        self._variation.restart()
        self._stepped_ns = 0
        self._settled = False
        self._stamped = 0
        self._begun_ns: int | None = None
        self._last_step: ClockStep | None = None
        self._unstamped_ns: int | None = None
        self._delay_ns = self._second_delay_ns = self._third_delay_ns = 0
        self._last_tick_ns: int | None = None
        self._malformed_ns: int | None = None
        self._malformed_since_ns = 0
        self._first_tick_ns: int | None = None
        self._accounted_ns: int | None = None
        self._last_ns: int | None = None
        self._silence.restart(self._detector.period_ns)

    # -- messages ---------------------------------------------------------------------------

    def add(self, stamp_ns: int, receive_ns: int, source_ns: int | None = None,
            callback_ns: int | None = None) -> tuple[Event, ...]:
        """
        Take one message: its header stamp, and when it was received, sent, and handed over.

        Host time except for the stamp, which is the stream's clock; None where unknown.
        """
        events = self._arrived(receive_ns)
        self.messages += 1
        if stamp_ns == 0:
            self.unstamped_count += 1
            if self._unstamped_ns is None:
                self._unstamped_ns = receive_ns
            return events
        self._unstamped_ns = None
        delay_ns = receive_ns - stamp_ns
        leapt_ns = self._leap.add(delay_ns, receive_ns)
        if leapt_ns:
            events += self._time_restarted(receive_ns, f'went forward by {leapt_ns * 1e-9:.1f} s')
            self._begun_ns = self._last_ns = receive_ns
        self.delays.add(stamp_ns, receive_ns, source_ns, callback_ns)
        self._third_delay_ns = self._second_delay_ns
        self._second_delay_ns = self._delay_ns
        self._delay_ns = delay_ns
        if self._delay_limits.add(delay_ns, receive_ns):
            events += (self._event(*self._delay_limits.change(receive_ns)),)
        settled = self._detector.add(stamp_ns, receive_ns)
        if settled is None:
            self._account(stamp_ns, receive_ns)
        elif settled.messages:
            events += self._settle(settled, receive_ns)
        if not self._settled:
            self._stamped += 1
            self._try_to_settle(receive_ns)
        return events

    def malformed(self, receive_ns: int, why: str) -> tuple[Event, ...]:
        """Take a message that could not be read, and what was wrong with it."""
        events = self._arrived(receive_ns)
        self.malformed_count += 1
        first = self._malformed_ns is None or \
            receive_ns - self._malformed_ns > 1e9 * self._limits.malformed_hold_s
        if first:
            self._malformed_since_ns = receive_ns
            events += (self._event('message_malformed', receive_ns, receive_ns,
                                   f'{self.spec.name}: message cannot be read: {why}'),)
        self._malformed_ns = receive_ns
        self._malformed_why = why
        return events

    def tick(self, now_ns: int) -> tuple[Event, ...]:
        """Look at the host time ``now_ns`` whether the stream has fallen silent."""
        events: tuple[Event, ...] = ()
        last = self._last_tick_ns
        if last is not None and now_ns < last - RESTART_NS:
            events = self._time_restarted(now_ns, self._went_back(now_ns))
        self._last_tick_ns = now_ns
        self._leap.tick(now_ns)
        if self._first_tick_ns is None:
            self._first_tick_ns = now_ns
        silence = self._silence
        if self._settled and self._detector.irregular:
            silence.learn(self._detector)
        if self._last_ns is not None:
            events += silence.tick(self._last_ns, now_ns)
        wrong_s = self._clock.correct(now_ns)
        if wrong_s is not None:
            events += (self._event('clock_step', now_ns, now_ns, delay_words.corrected(
                self.spec.name, wrong_s), {'size_s': -wrong_s}),)
        if not self._settled and self._last_ns is not None and not silence.lost:
            # Not only with a message: where a whole number of periods makes the time to settle,
            # a microsecond would decide whether it takes one period more.
            self._try_to_settle(now_ns)
        return events

    def book_host_step(self, at_ns: int, size_s: float, own_s: float | None = None) -> None:
        """Take note that the host's clock jumped, see `StreamClock.step_host`."""
        self._clock.step_host(at_ns, size_s, own_s)
        if own_s is not None and self._steps and self._steps[-1] is self._last_step:
            self._steps.pop()
            self._last_step = None
        self._delay_limits.follow_host(self._clock.host_s)

    # -- what holds now ---------------------------------------------------------------------

    def conditions(self, now_ns: int) -> tuple[Condition, ...]:
        """Return what is wrong with the stream at host time ``now_ns``, clock movement aside."""
        name, found = self.spec.name, []
        if self._last_ns is None:
            since = self._first_tick_ns if self._first_tick_ns is not None else now_ns
            return (self._condition('not_seen', since, f'{name}: no message yet on '
                                    f'{self.spec.topic}'),)
        if self._silence.lost:
            found.append(self._condition('silent', self._silence.since_ns,
                                         *self._silence.sentences(self._last_ns, now_ns)))
        if self._malformed_ns is not None and \
                0 <= now_ns - self._malformed_ns <= 1e9 * self._limits.malformed_hold_s:
            found.append(self._condition(
                'malformed', self._malformed_since_ns,
                f'{name}: message cannot be read: {self._malformed_why}', '', self._malformed_ns))
        if self._unstamped_ns is not None:
            found.append(self._condition('unstamped', self._unstamped_ns,
                                         f'{name}: messages carry no time stamp (it is zero)'))
        if not self._settled and self._begun_ns is not None:
            watched_s = max(0.0, (self._last_ns - self._begun_ns) * 1e-9)
            how_far = f'{watched_s:.1f} of {self._limits.settle_s:.1f} s' \
                if watched_s < self._limits.settle_s else \
                f'{min(self._stamped, LEARNED)} of {LEARNED} messages'
            found.append(self._condition('settling', self._begun_ns, f'{name} settling: {how_far}',
                                         f'{name} settling'))
        found += [self._condition(*beyond) for beyond in self._delay_limits.beyond()]
        return tuple(found)

    @property
    def settled(self) -> bool:
        """Whether the stream has been watched long enough to be judged."""
        return self._settled

    def clock_offset(self, now_ns: int) -> tuple[float, float] | None:
        """
        Return the clock's offset at a host time and its standard deviation, seconds.

        Counted from the smallest delay of the run, as in `figures`; None before any message.
        """
        return self._clock.offset(now_ns)

    def clock_moved(self, now_ns: int) -> tuple[float, float] | None:
        """Return how far the clock has moved since the stream settled, and the sigma, seconds."""
        return self._clock.moved(now_ns)

    @property
    def lead_s(self) -> float:
        """How far its stamps lay ahead of the host when it settled: no delay explains that."""
        return self._clock.lead_s

    def delay_shift(self, now_ns: int) -> tuple[float, float] | None:
        """Return `StreamClock.delay_shift`; not to be believed while `uncertain`."""
        return self._clock.delay_shift(now_ns, self._recent_delay_s)

    @property
    def host_s(self) -> float:
        """By how much the host's clock has jumped in all since the stream settled, seconds."""
        return self._clock.host_s

    def host_back_ns(self, now_ns: int) -> int | None:
        """Return since when delays are what they were before the host's clock first jumped."""
        return self._clock.host_back_ns(now_ns)

    @property
    def uncertain(self) -> bool:
        """Whether the clock may just have stepped."""
        return self._detector.waiting

    @property
    def running(self) -> bool:
        """Whether the stream has settled and is not silent."""
        return self._settled and not self._silence.lost

    @property
    def last_step(self) -> ClockStep | None:
        """The newest clock step, None where there was none since the stream settled."""
        return self._last_step

    def refresh(self) -> None:
        """Work out clock and skew from all that is known: for `figures` at the end of a run."""
        self._clock.refresh()

    def figures(self) -> StreamFigures:
        """Return the figures of the run so far."""
        at_ns = self._last_ns
        offset = None if at_ns is None else self.clock_offset(at_ns)
        skew = None if at_ns is None else self._clock.skew(at_ns)
        sequence, period_ns = self._sequence, self._detector.period_ns
        variation = self._variation.quantiles(0.5, 0.95)
        return StreamFigures(
            topic=self.spec.topic, messages=self.messages,
            rate_hz=self._intervals / (self._watched_ns * 1e-9) if self._watched_ns > 0 else None,
            period_s=(period_ns * 1e-9 if period_ns is not None and self._detector.learned
                      else None),
            offset_s=offset[0] if offset else None,
            offset_sigma_s=offset[1] if offset else None,
            skew_ppm=1e6 * skew[0] if skew else None,
            skew_sigma_ppm=1e6 * skew[1] if skew else None,
            **self.delays.figures(),
            jitter_s=self._variation.jitter_s,
            delay_variation_p50_s=variation[0], delay_variation_p95_s=variation[1],
            lost=sequence.lost, gaps=sequence.gaps, duplicated=sequence.duplicated,
            reordered=sequence.reordered, largest_reordering_extent=sequence.largest_extent,
            backwards=sequence.backwards, malformed=self.malformed_count,
            unstamped=self.unstamped_count, clock_steps=tuple(self._steps),
            silences=self._silence.silences(at_ns, self._last_tick_ns))

    def clock_series(self) -> ClockSeries:
        """Return the offset over the run, see `ClockSeries`."""
        return self._series

    # -- inner workings ---------------------------------------------------------------------

    def _arrived(self, receive_ns: int) -> tuple[Event, ...]:
        """Book the arrival of any message, readable or not."""
        last_ns = self._last_ns
        events: tuple[Event, ...] = ()
        if last_ns is None:
            self._begun_ns = receive_ns
        else:
            gap_ns = receive_ns - last_ns
            if gap_ns < -RESTART_NS:
                events = self._time_restarted(receive_ns, self._went_back(receive_ns))
                self._begun_ns = receive_ns
            elif gap_ns < 0:
                return events
            else:
                silence = self._silence
                if gap_ns > silence.limit_ns or silence.lost:
                    events = silence.arrived(last_ns, receive_ns)
                if not self._settled:
                    silence.see_interval(gap_ns)
                if gap_ns <= silence.limit_ns:
                    self._watched_ns += gap_ns
                    self._intervals += 1
        self._last_ns = receive_ns
        return events

    @property
    def _recent_delay_s(self) -> float:
        """The smallest of the last three delays, seconds."""
        return 1e-9 * min(self._delay_ns, self._second_delay_ns, self._third_delay_ns)

    def _account(self, stamp_ns: int, receive_ns: int) -> None:
        """Count one message whose clock is known to be the present one."""
        stamp = stamp_ns - self._stepped_ns
        accounted_ns = self._accounted_ns
        if accounted_ns is not None and receive_ns - accounted_ns > self._silence.limit_ns:
            self._sequence.skip(stamp - 1)
        self._accounted_ns = receive_ns
        self._sequence.add(stamp, self._detector.period_ns)
        self._variation.add(receive_ns - stamp)
        self._series.add(receive_ns, receive_ns - stamp_ns)
        self._clock.add(receive_ns, receive_ns - stamp_ns)

    def _settle(self, settled: Settled, now_ns: int) -> tuple[Event, ...]:
        """Account for messages that had been held back, and for what they told."""
        events: tuple[Event, ...] = ()
        first_ns = settled.messages[0][1]
        step = settled.step
        if step is not None:
            self._stepped_ns += step.size_ns
            self._clock.step(step.at_ns, step.size_ns * 1e-9)
            if step.at_ns < first_ns:
                # Some messages of the new clock were counted as the old one's.
                self._sequence.restart()
                self._variation.restart()
            events = self._book_step(step, now_ns)
        elif settled.delay_fell:
            self._clock.fall_to(first_ns, 1e-9 * min(
                receive - stamp for stamp, receive in settled.messages))
        for stamp_ns, receive_ns in settled.messages:
            self._account(stamp_ns, receive_ns)
        return events

    def _book_step(self, step: Step, now_ns: int) -> tuple[Event, ...]:
        """Keep a step for the report; one that follows at once corrects the one before."""
        size_s, at_ns = step.size_ns * 1e-9, step.at_ns
        last = self._last_step
        if last is not None and abs(at_ns - last.at_ns) < ONE_STEP_NS:
            at_ns = min(at_ns, last.at_ns)
            size_s += last.size_s
            # Two that cancelled each other were not kept.
            if self._steps and self._steps[-1] is last:
                self._steps.pop()
        self._last_step = ClockStep(at_ns, size_s)
        if abs(size_s) >= 0.5 * self._limits.step_s:
            self._steps.append(self._last_step)
        return (self._event('clock_step', at_ns, now_ns,
                            f'{self.spec.name} clock stepped by {size_s * 1e3:+.1f} ms',
                            {'size_s': size_s}),)

    def _try_to_settle(self, now_ns: int) -> None:
        if self._begun_ns is None or self._stamped < LEARNED or \
                now_ns - self._begun_ns < self._settle_ns:
            return
        self._settled = True
        self._silence.learn(self._detector)
        self._clock.settle(now_ns)

    def _went_back(self, now_ns: int) -> str:
        if self._last_ns is None:
            return 'went back'
        return f'went back by {(self._last_ns - now_ns) * 1e-9:.1f} s'

    def _time_restarted(self, now_ns: int, went: str) -> tuple[Event, ...]:
        self._start_over()
        return (self._event('time_restarted', now_ns, now_ns,
                            f'{self.spec.name}: time {went}; watching starts again'),)

    def _condition(self, kind: str, onset_ns: int, text: str, record: str = '',
                   seen_ns: int | None = None) -> Condition:
        key = f'{self.spec.name}/{kind}'
        return Condition(key, text, self._severity, onset_ns, record, seen_ns)

    def _event(self, kind: str, onset_ns: int, detected_ns: int, text: str,
               values: dict[str, float] | None = None) -> Event:
        return Event(kind, self.spec.name, onset_ns, detected_ns, text, values or {})
