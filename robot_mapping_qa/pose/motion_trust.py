# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The reported covariance against every second source of motion: is it believed, and how far."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isfinite
from statistics import median
from typing import Mapping

import numpy as np

from robot_mapping_qa.pose.consistency import agreed, Inflation
from robot_mapping_qa.pose.quaternion import Quaternion, Vector
from robot_mapping_qa.pose.second_source import SecondSource, UnitPose
from robot_mapping_qa.pose.trust_limits import TrustLimits

_EVALUATED_NS = 1_000_000_000
# Steps within an interval, to tell the noise of a pose from its drift.
_STEPS = 5
# A day of evaluations.
_FACTORS_KEPT = 86_400
# A covariance that is confirmed is known at least so well.
_CONFIRMED_WITHIN = 3.0
_BLOCK_NS = 1_000_000_000
# The smallest delay of a second moves by less than the first of these, else by less than so many
# times what it usually does, and by less than the last, unless a clock stepped or the transport
# changed. Steps of 10 ms spoil a window's lateness so much that a right covariance is condemned,
# steps of 6 ms do not (simulated robot that turns by up to 0.7 rad/s).
_LEAST_STEP_NS, _TIMES_USUAL, _STEP_NS = 4_000_000, 6.0, 20_000_000
# Weight of the newest second in what the smallest delay usually moves by.
_MEMORY = 1.0 / 8.0


class MotionTrust:
    """
    Tells an optimistic covariance from a right one with the motion streams of the robot.

    ``sources`` has one `SecondSource` a stream. Turning is judged by all of them, travel by those
    that tell a velocity; within each, the unit is condemned only if every source agrees.

    A unit that its surroundings hold in every direction drifts by less in an interval than any
    such source sees: on the simulated walk by 0.04 mrad and 0.7 mm, beside 0.25 mrad of the
    gyroscope and 2 mm of the wheels (`TrustLimits`). There only the scatter of single poses tells
    (`pose_scatter`), by which the error is known to be larger than reported, not how much larger.
    Without a gyroscope among the sources the turn rate that the unit gives itself stands in for
    it; nothing else is judged by that.
    """

    def __init__(self, limits: TrustLimits, sources: Mapping[str, SecondSource]) -> None:
        self.limits = limits
        self._sources = dict(sources)
        self._own = SecondSource(limits) if all(
            source.is_planar for source in sources.values()) else None
        self._lateness_ns = limits.longest_lateness_s * 1e9
        self._factors: list[float] = []
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self._restart_sources()
        self._delays = {name: _LeastDelay() for name in self._sources}
        self._unit_delay = _LeastDelay()
        self._taken_ns: int | None = None
        self._evaluated_ns: int | None = None
        self._is_held = False
        self.inflation: Inflation | None = None
        """That of the newest window, of turning or travel, None where neither tells."""
        self.is_optimistic = False
        """Whether the reported covariance was found too small and not yet right again."""
        self.is_confirmed = False
        """Whether it was ever found right, within narrow bounds, since the start."""

    def add_motion(self, name: str, stamp_ns: int, receive_ns: int,
                   motion: tuple[float, ...]) -> None:
        """Take turn rate, and velocity where there is one, of a stream: `SecondSource.add`."""
        source, delay = self._sources[name], self._delays[name]
        if delay.add(stamp_ns, receive_ns):
            source.restart()
        if self._is_comparable(delay):
            source.add(stamp_ns, motion)

    def add_pose(self, stamp_ns: int, receive_ns: int, quaternion: Quaternion,
                 position_m: Vector, covariance: np.ndarray, is_held: bool = False,
                 turn_rate_radps: Vector | None = None) -> bool:
        """
        Take a pose with its reported covariance; return whether the judgement is new.

        ``is_held`` says that the surroundings are known to hold the unit: then wheels that travel
        another way slip, however long they do. ``turn_rate_radps`` is what the unit gives itself,
        None where it gives none that can be used.
        """
        if self._own is not None and turn_rate_radps is not None:
            self._own.add(stamp_ns, turn_rate_radps)
        elif not self._sources:
            return False
        if self._unit_delay.add(stamp_ns, receive_ns):
            self.interrupt()
        # Short of it, so that no message at 25 Hz is left out, nor by stamps that shake.
        step_ns = 0.75 * self.limits.interval_s / _STEPS * 1e9
        if self._taken_ns is not None and 0 <= stamp_ns - self._taken_ns < step_ns:
            return False
        self._taken_ns = stamp_ns
        pose = UnitPose(stamp_ns, quaternion, position_m, covariance)
        if is_held != self._is_held:
            self._is_held = is_held
            for source in self._sources.values():
                source.restart_travel()
        for source in self._sources.values():
            source.add_pose(pose)
        if self._own is not None:
            self._own.add_pose(pose)
        if self._evaluated_ns is not None and 0 <= stamp_ns - self._evaluated_ns < _EVALUATED_NS:
            return False
        self._evaluated_ns = stamp_ns
        return self._evaluate()

    def interrupt(self) -> None:
        """Begin the windows anew, as after a jump; the judgement so far stands."""
        self._restart_sources()
        self._taken_ns = None

    def _restart_sources(self) -> None:
        for source in self._sources.values():
            source.restart()
        if self._own is not None:
            self._own.restart()

    @property
    def too_small_by(self) -> Inflation | None:
        """The inflation of a covariance that was found optimistic, else None."""
        return self.inflation if self.is_optimistic else None

    def overall(self) -> float | None:
        """Return the median inflation over the run, None where it was never known."""
        return median(self._factors) if self._factors else None

    def _is_comparable(self, delay: _LeastDelay) -> bool:
        unit_ns, other_ns = self._unit_delay.least_ns, delay.least_ns
        return (unit_ns is not None and other_ns is not None and
                abs(unit_ns - other_ns) <= self._lateness_ns)

    def _evaluate(self) -> bool:
        sources = self._sources.values()
        turnings = [source.turn_inflation() for source in sources]
        travels = [] if self._is_held else [source.travel_inflation() for source in sources]
        gyroscopes = sources if self._own is None else (self._own,)
        scatter = agreed(gyroscope.scatter_inflation() for gyroscope in gyroscopes)
        against = [found for found in (agreed(turnings), agreed(travels)) if found is not None]
        if scatter is not None and scatter.low > 1.0 and all(
                found.low <= self.limits.optimistic_factor for found in against):
            # What bounds the error from above as well would say more.
            against.append(replace(scatter, high=inf))
        worst = max(against, key=lambda found: found.low, default=None)
        if worst is None and (scatter is None or self.inflation is None
                              or isfinite(self.inflation.high)):
            return False
        if worst is not None and worst.low <= 1.0:
            # Nothing against the unit; how well it does is told by turning alone, if at all.
            worst = agreed(found for found in turnings if found is not None and found.telling)
        self.inflation = worst
        if worst is not None and len(self._factors) < _FACTORS_KEPT:
            self._factors.append(worst.factor)
        if worst is not None and worst.low > self.limits.optimistic_factor:
            self.is_optimistic = True
        elif worst is None or worst.low <= 1.0:
            self.is_optimistic = False
            self.is_confirmed |= worst is not None and worst.high <= _CONFIRMED_WITHIN
        return True


class _LeastDelay:
    """The smallest receive time less stamp of a stream; notices when it steps."""

    def __init__(self) -> None:
        self.least_ns: int | None = None
        self._block_ns: int | None = None
        self._began_ns = 0
        self._usual_ns = _STEP_NS / _TIMES_USUAL

    def add(self, stamp_ns: int, receive_ns: int) -> bool:
        """Take a message; return whether the smallest delay has stepped."""
        delay_ns = receive_ns - stamp_ns
        if self._block_ns is None or self.least_ns is None:
            self.least_ns = self._block_ns = delay_ns
            self._began_ns = receive_ns
            return False
        room_ns = min(_STEP_NS, max(_LEAST_STEP_NS, _TIMES_USUAL * self._usual_ns))
        stepped = self.least_ns - delay_ns > room_ns
        if stepped:
            self._see_movement(self.least_ns - delay_ns)
            self.least_ns = delay_ns
        self._block_ns = min(self._block_ns, delay_ns)
        if not 0 <= receive_ns - self._began_ns < _BLOCK_NS:
            moved_ns = abs(self._block_ns - self.least_ns)
            stepped |= moved_ns > room_ns
            self._see_movement(moved_ns)
            self.least_ns, self._block_ns = self._block_ns, delay_ns
            self._began_ns = receive_ns
        return stepped

    def _see_movement(self, moved_ns: int) -> None:
        self._usual_ns += _MEMORY * (min(moved_ns, _STEP_NS) - self._usual_ns)
