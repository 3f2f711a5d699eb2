# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""When a stream has fallen silent, and when it is back for good."""

from __future__ import annotations

from collections import deque

from robot_mapping_qa.timing.figures import Silence
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.steps import StepDetector
from robot_mapping_qa.verdicts import Event

SILENT_PERIODS = 5.0
"""So many periods without a message are a silence. A stream that keeps no rhythm is measured by
the interval that nine of ten keep to: if messages come at random, 1 in 100 000 is later."""
AGAIN_NS = 10_000_000_000
"""A silence so soon after the last one makes the stream unsteady."""
STEADY_NS = 2_000_000_000
"""An unsteady stream is back once it has run for so long."""
UNKNOWN_INTERVALS = 10.0
"""The same of a stream whose period is not known yet, by the longest interval so far."""
KEPT = 1000
"""Silences that are kept, the newest."""


class SilenceWatch:
    """
    Watches the intervals of one stream's arrivals.

    A stream that falls silent again and again, as all do on an overloaded computer, is lost once
    and back once it runs steadily: else there would be two events for every pause. ``lost`` is
    true in between, ``limit_ns`` how long the stream may be without a message.
    """

    def __init__(self, spec: StreamSpec, limits: TimingLimits) -> None:
        """Watch the stream of ``spec``."""
        self._name = spec.name
        self._given_s = spec.silence_s
        self._least_ns = 1e9 * limits.silence_s
        self._unlearned_ns = 1e9 * max(limits.silence_s, limits.settle_s)
        self._silences: deque[Silence] = deque(maxlen=KEPT)
        self.restart(None)

    def restart(self, period_ns: float | None) -> None:
        """Start watching again; the silences so far are kept."""
        self.lost = False
        # When the present silence began, and the first one of those that follow each other.
        self._since_ns = self._first_ns = 0
        # How many follow each other, and of these how many were none, as a message told that had
        # come in time.
        self._count = self._none = 0
        self._back_ns: int | None = None
        # Since when an unsteady stream has run without a silence; None while it is silent.
        self._running_ns: int | None = None
        self._period_ns = period_ns or 0.0
        if self._given_s is not None:
            self.limit_ns = 1e9 * self._given_s
        elif period_ns is None:
            self.limit_ns = self._unlearned_ns
        else:
            self.limit_ns = max(self._least_ns, SILENT_PERIODS * period_ns)

    def learn(self, detector: StepDetector) -> None:
        """Take over the period and, of a stream without a rhythm, the usual longest interval."""
        self._period_ns = period_ns = detector.period_ns or 0.0
        if self._given_s is None:
            usual_ns = detector.long_interval_ns if detector.irregular else period_ns
            self.limit_ns = max(self._least_ns, SILENT_PERIODS * usual_ns)

    def see_interval(self, interval_ns: int) -> None:
        """Take the interval between two arrivals before the stream's period is known."""
        if not self._period_ns and self._given_s is None:
            self.limit_ns = max(self.limit_ns, UNKNOWN_INTERVALS * interval_ns)

    def tick(self, last_ns: int, now_ns: int) -> tuple[Event, ...]:
        """Look at host time ``now_ns`` for how long nothing has come since ``last_ns``."""
        if now_ns - last_ns <= self.limit_ns or self.lost and self._running_ns is None:
            return ()
        return self._fell_silent(last_ns, now_ns)

    def arrived(self, last_ns: int, receive_ns: int) -> tuple[Event, ...]:
        """
        Take a message that ended a silence or came while the stream was `lost`.

        ``last_ns`` is the receive time of the message before, not later.
        """
        events: tuple[Event, ...] = ()
        if receive_ns - last_ns > self.limit_ns:
            if not self.lost or self._running_ns is not None:
                events = self._fell_silent(last_ns, receive_ns)
            self._silences.append(Silence(self._due_ns(last_ns), receive_ns))
            self._running_ns = receive_ns
        elif self._running_ns is None:
            # It had come in time and was handed over late: the computer paused, not the stream.
            self._running_ns = receive_ns
            self._none += 1
        if self._count > 1 and receive_ns - self._running_ns < STEADY_NS:
            return events
        self.lost = False
        self._back_ns = receive_ns
        lasted_s = max(0.0, (self._running_ns - self._since_ns) * 1e-9)
        count = self._count - self._none
        again = f', {count} silences' if count > 1 else ''
        text = f'{self._name} is back after {lasted_s:.1f} s{again}' if count else \
            f'{self._name} was not silent: this computer was late to take its messages'
        return events + (Event('stream_back', self._name, receive_ns, receive_ns, text,
                               {'silence_s': lasted_s}),)

    def sentences(self, last_ns: int, now_ns: int) -> tuple[str, str]:
        """Return what a person is told of a stream that is `lost`, now and for the record."""
        name, count = self._name, self._count - self._none
        span_s = max(0.0, (now_ns - self._first_ns) * 1e-9)
        if not count:
            text = f'this computer is late to take the messages of {name}'
            return text, text
        if self._running_ns is not None:
            text = f'{name} keeps falling silent: {count} times in {span_s:.1f} s'
        else:
            text = f'{name} silent for {max(0.0, (now_ns - last_ns) * 1e-9):.1f} s'
            if count > 1:
                text += f'. It fell silent {count} times in {span_s:.1f} s'
        return text, f'{name} silent' if count == 1 else f'{name} fell silent {count} times'

    @property
    def since_ns(self) -> int:
        """When the first message was due that a `lost` stream did not send."""
        return self._since_ns

    def silences(self, last_ns: int | None, now_ns: int | None) -> tuple[Silence, ...]:
        """Return the silences up to now, the one that is on included."""
        found = tuple(self._silences)
        if self.lost and self._running_ns is None and last_ns is not None and now_ns is not None:
            found += (Silence(self._due_ns(last_ns), now_ns),)
        return found

    def _due_ns(self, last_ns: int) -> int:
        """Return when the message after the last one was due."""
        return last_ns + round(min(self._period_ns, self.limit_ns))

    def _fell_silent(self, last_ns: int, now_ns: int) -> tuple[Event, ...]:
        self._running_ns = None
        due_ns = self._due_ns(last_ns)
        if self.lost:
            self._count += 1
            return ()
        unsteady = self._back_ns is not None and due_ns - self._back_ns < AGAIN_NS
        self._count = self._count + 1 if unsteady else 1
        if not unsteady:
            self._first_ns = due_ns
            self._none = 0
        self._since_ns = due_ns
        self.lost = True
        return (Event('stream_lost', self._name, due_ns, now_ns, f'{self._name} fell silent'),)
