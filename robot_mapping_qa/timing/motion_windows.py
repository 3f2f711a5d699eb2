# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Clock offsets from motion over a whole recording, window by window, in bounded memory.

Clocks drift, so one offset for an hour does not exist. Each window of a minute gets its own.
One-way data does not know the delay, but it does know how far two clocks have drifted apart since,
whatever the delay is: by that the windows are brought to one time, where their weighted mean is
taken. A step of a clock is another matter: what was found before it is forgotten.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import Callable, Iterable

import numpy as np
from robot_mapping_qa.rates import is_due
from robot_mapping_qa.timing.angular_velocity import AngularVelocitySignal
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate, offset_between

WINDOW_NS = 60_000_000_000
"""A minute of walking holds some turns, and 50 ppm are 3 ms in it, which its middle averages."""

OUTLIER_SIGMAS = 4.0
"""A window further from the median is left out of the mean: 1 in 16,000 by chance."""

Apart = Callable[[str, int], 'tuple[float, float] | None']
"""
How far a stream's clock is from the unit's at a host time, by one-way data, and its sigma.

Seconds, stream minus unit; any constant part (the delays) cancels. None while not known.
"""


@dataclass(frozen=True, slots=True)
class MotionWindow:
    """The offset from motion in one window, at the host time of its middle."""

    middle_ns: int
    estimate: MotionOffsetEstimate
    apart_s: float
    apart_sigma_s: float


class MotionWindows:
    """
    Collects angular velocities of the unit (the reference) and of streams, and their offsets.

    Feed the samples in the order of receipt. Call `close` when `due` and at the end, and `forget`
    after a step of one of the clocks.
    """

    def __init__(self, names: Iterable[str], max_offset_s: float = 1.0) -> None:
        """
        Prepare for the streams of ``names``.

        Stamps are searched up to ``max_offset_s`` either way from what the one-way offsets say,
        so that clocks of different epochs are no obstacle.
        """
        self._max_offset_s = max_offset_s
        self._reference = _Samples()
        self._streams = {name: _Samples() for name in names}
        self._begun_ns: int | None = None
        self.windows: dict[str, list[MotionWindow]] = {name: [] for name in self._streams}

    def add_reference(self, receive_ns: int, stamp_ns: int, wx: float, wy: float,
                      wz: float) -> None:
        """Take an angular velocity of the unit, rad/s about its own axes."""
        self._begin(receive_ns)
        self._reference.add(receive_ns, stamp_ns, wx, wy, wz)

    def adder(self, name: str) -> Callable[[int, int, float, float, float], None]:
        """Return the function that takes the samples of a stream, as `add_reference` does."""
        samples = self._streams[name]

        def add(receive_ns: int, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
            # Also without the unit, whose silence may last.
            self._begin(receive_ns)
            samples.add(receive_ns, stamp_ns, wx, wy, wz)
        return add

    def _begin(self, receive_ns: int) -> None:
        if self._begun_ns is None:
            self._begun_ns = receive_ns

    def due(self, now_ns: int) -> bool:
        """Return whether the window is full at a host time."""
        return self._begun_ns is not None and is_due(now_ns, self._begun_ns, WINDOW_NS)

    def close(self, apart: Apart) -> None:
        """End the window: work its offsets out and let its samples go."""
        reference = self._reference.take()
        self._begun_ns = None
        for name, samples in self._streams.items():
            window = self._window(name, reference, samples.take(), apart)
            if window is not None:
                self.windows[name].append(window)

    def forget(self, name: str | None, before_ns: int | None) -> None:
        """
        Drop what was received before a host time: the clock of a stream has stepped.

        None as ``name`` stands for the clock of the unit, against which all streams are measured,
        as ``before_ns`` for everything so far: the host's time has restarted.
        """
        if name is None:
            self._reference.drop(before_ns)
        for other, samples in self._streams.items():
            if name in (None, other):
                samples.drop(before_ns)
                self.windows[other].clear()

    def offset(self, name: str, at_ns: int, apart: Apart) -> MotionOffsetEstimate:
        """
        Return the offset of a stream at a host time, from all its windows.

        The weighted mean of the usable windows, each brought to ``at_ns``. Windows far from the
        median are left out, and where the others scatter more than their sigmas explain, sigma
        grows accordingly (the Birge ratio). Without a usable window the reason is that of the
        window with the most motion.
        """
        windows = self.windows[name]
        usable = [window for window in windows if window.estimate.usable]
        now = apart(name, at_ns)
        if not usable or now is None:
            return _most_moved(windows)
        offsets = np.array([window.estimate.numbers for window in usable])
        values = offsets[:, 0] - [window.apart_s for window in usable]
        sigmas = np.hypot(offsets[:, 1], [window.apart_sigma_s for window in usable])
        mean, sigma = _robust_mean(values, sigmas)
        best = usable[int(np.argmin(offsets[:, 1]))].estimate
        return MotionOffsetEstimate(
            mean + now[0], hypot(sigma, now[1]), True, '', best.peak_correlation,
            best.excitation_radps)

    def _window(self, name: str, reference: _Taken, stream: _Taken,
                apart: Apart) -> MotionWindow | None:
        if len(reference.stamps) < 3 or len(stream.stamps) < 3:
            return None
        middle_ns = (max(reference.first_ns, stream.first_ns)
                     + min(reference.last_ns, stream.last_ns)) // 2
        moved = apart(name, middle_ns)
        if moved is None:
            return None
        origin_ns = int(reference.stamps[0])
        shift_ns = round(moved[0] * 1e9)
        estimate = offset_between(
            AngularVelocitySignal((reference.stamps - origin_ns) * 1e-9, reference.values),
            AngularVelocitySignal(
                (stream.stamps - (origin_ns + shift_ns)) * 1e-9, stream.values),
            self._max_offset_s)
        if estimate.usable:
            value_s, _ = estimate.numbers
            estimate = replace(estimate, value_s=value_s + shift_ns * 1e-9)
        return MotionWindow(middle_ns, estimate, *moved)


@dataclass(frozen=True, slots=True)
class _Taken:
    """Samples of one window: stamps (n,) ns, values (n, 3) rad/s, first and last receipt."""

    stamps: np.ndarray
    values: np.ndarray
    first_ns: int
    last_ns: int


class _Samples:
    """Angular velocities in the order of receipt."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self._receipts = array('q')
        self._stamps = array('q')
        self._values = array('d')

    def add(self, receive_ns: int, stamp_ns: int, wx: float, wy: float, wz: float) -> None:
        self._receipts.append(receive_ns)
        self._stamps.append(stamp_ns)
        self._values.extend((wx, wy, wz))

    def take(self) -> _Taken:
        """Return everything and begin anew."""
        receipts = self._receipts
        taken = _Taken(
            np.array(self._stamps, dtype=np.int64), np.array(self._values).reshape(-1, 3),
            receipts[0] if receipts else 0, receipts[-1] if receipts else 0)
        self.clear()
        return taken

    def drop(self, before_ns: int | None) -> None:
        """Let go of what was received before a host time, or of everything."""
        if before_ns is None:
            self.clear()
            return
        first = next((place for place, receipt in enumerate(self._receipts)
                      if receipt >= before_ns), len(self._receipts))
        del self._receipts[:first], self._stamps[:first], self._values[:3 * first]


def _robust_mean(values: np.ndarray, sigmas: np.ndarray) -> tuple[float, float]:
    """Return a mean of independent measurements that single wrong ones do not move, and sigma."""
    middle = float(np.median(values))
    distances = np.abs(values - middle)
    scale = np.maximum(sigmas, 1.4826 * np.median(distances))
    kept = distances <= OUTLIER_SIGMAS * scale
    values, weights = values[kept], 1.0 / np.maximum(sigmas[kept], 1e-9) ** 2
    mean = float(np.average(values, weights=weights))
    sigma = 1.0 / sqrt(weights.sum())
    if len(values) > 1:
        scatter = float((weights * (values - mean) ** 2).sum()) / (len(values) - 1)
        sigma *= max(1.0, sqrt(scatter))
    return mean, sigma


def _most_moved(windows: list[MotionWindow]) -> MotionOffsetEstimate:
    """Return the unusable estimate that tells most."""
    if not windows:
        return MotionOffsetEstimate(
            None, None, False, 'no time in which both the unit and the stream sent angular '
            'velocities', None, None)
    estimate = max((window.estimate for window in windows),
                   key=lambda item: item.excitation_radps or 0.0)
    return MotionOffsetEstimate(None, None, False, estimate.reason or 'no clock offset to carry '
                                'it to the end of the recording', estimate.peak_correlation,
                                estimate.excitation_radps)
