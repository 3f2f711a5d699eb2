# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a stream's messages arrive late, or carry stamps from the future."""

from __future__ import annotations

from robot_mapping_qa.timing import delay_words
from robot_mapping_qa.timing.limit_watch import LimitWatch
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits


class DelayLimits:
    """Holds the delays of one stream against the largest allowed, and against the host's time."""

    def __init__(self, spec: StreamSpec, limits: TimingLimits) -> None:
        """Watch the delays of the stream of ``spec``."""
        self._name = spec.name
        self._late_s = limits.delay_limit_s if spec.delay_limit_s is None else spec.delay_limit_s
        self._ahead_s = limits.ahead_limit_s
        self.restart()

    def restart(self) -> None:
        """Forget all delays and where the host's clock was."""
        self._late, self._ahead = LimitWatch(), LimitWatch()
        self._delay_ns = 0
        self.follow_host(0.0)

    def follow_host(self, host_s: float) -> None:
        """
        Let the limits follow the host's clock, which has jumped by ``host_s`` in all.

        Delays are now what they were plus the jumps. Which of the two is right is not known: the
        host's clock may have been wrong before and set right. So only what neither explains is
        beyond a limit.
        """
        self._late_ns = round(1e9 * (self._late_s + max(host_s, 0.0)))
        self._ahead_ns = round(1e9 * (min(host_s, 0.0) - self._ahead_s))
        self._late.count = self._ahead.count = 0

    def add(self, delay_ns: int, receive_ns: int) -> bool:
        """Take a message's receive time less stamp; True where lateness began or ended."""
        self._delay_ns = delay_ns
        late, ahead = delay_ns > self._late_ns, delay_ns < self._ahead_ns
        if ahead or self._ahead.count:
            self._ahead.add(ahead, receive_ns)
        return (late or self._late.count > 0) and self._late.add(late, receive_ns)

    def change(self, now_ns: int) -> tuple[str, int, int, str, dict[str, float]]:
        """Return kind, onset, time, text and values of the event that `add` told of."""
        values = {'delay_s': self._delay_ns * 1e-9}
        if self._late.active:
            return ('delay_rose', self._late.since_ns, now_ns,
                    delay_words.rose(self._name, self._delay_ns), values)
        return ('delay_normal', now_ns, now_ns, delay_words.fell(
            self._name, self._delay_ns, self._late_ns), values)

    def beyond(self) -> list[tuple[str, int, str]]:
        """Return kind, onset and text of each limit that is exceeded now."""
        found = []
        if self._late.active:
            found.append(('late', self._late.since_ns, delay_words.late(
                self._name, self._delay_ns, self._late_ns)))
        if self._ahead.active:
            found.append(('ahead', self._ahead.since_ns,
                          delay_words.ahead(self._name, self._delay_ns)))
        return found
