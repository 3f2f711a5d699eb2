# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The ledger of captures: where each was taken, how well that is known, and its verdict."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
import heapq
from math import sqrt
from typing import Mapping, Sequence

import numpy as np

from robot_mapping_qa.capture.budget import PARTS, point_budget
from robot_mapping_qa.capture.holds import Hold
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.pose.quaternion import (
    conjugate, from_rotation_vector, multiply, Quaternion, rotate, rotation_vector, Vector)
from robot_mapping_qa.records import Odometry

TRUSTED, SUSPECT, HELD = 'trusted', 'suspect', 'held'
VERDICTS = (TRUSTED, SUSPECT, HELD)

LONGEST_DELAY_NS = 5_000_000_000
"""Stamp and receipt further apart than this say nothing about when a picture was taken: then
only the receipt counts. A picture may well take a second to arrive, not five."""

LONGEST_EXTRAPOLATION_NS = 100_000_000
"""At the end of a recording the last pictures have no pose behind them: ten messages at 100 Hz."""

POSES_KEPT = 2000
"""Poses kept to look a stamp up in: 20 s at 100 Hz, 2 s at 1 kHz."""

_BATCH = 256
_RESTART_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Capture:
    """
    One picture and what is known about it; None where it is not known.

    ``number`` counts the pictures of ``stream`` from 1. Pose and quaternion (x, y, z, w) are the
    unit's, interpolated at the picture's stamp; ``path_m`` is the way travelled up to then. The
    standard deviations are those of the worst axis. ``point_error_m`` is the 95 % error of a
    point on the structure, and ``shares`` what each of `budget.PARTS` has in its variance.
    """

    stream: str
    number: int
    stamp_ns: int
    receive_ns: int
    position_m: Vector | None
    quaternion: Quaternion | None
    path_m: float
    sigma_position_m: float | None
    sigma_rotation_rad: float | None
    time_error_s: float | None
    point_error_m: float | None
    verdict: str
    reasons: tuple[str, ...]
    shares: tuple[float, ...] | None = None

    @property
    def name(self) -> str:
        """The capture's name in the ledger: stream and number."""
        return f'{self.stream}/{self.number}'


@dataclass(slots=True)
class _Entry:
    """A capture before its verdict."""

    stream: str
    number: int
    stamp_ns: int
    receive_ns: int
    time_error_s: float | None
    position_m: Vector | None = None
    quaternion: Quaternion | None = None
    path_m: float = 0.0
    sigma_position_m: float | None = None
    sigma_rotation_rad: float | None = None
    point_error_m: float | None = None
    shares: tuple[float, ...] | None = None

    def __lt__(self, other: _Entry) -> bool:
        return self.stamp_ns < other.stamp_ns


class Ledger:
    """
    Collects captures and poses in the order of receipt and judges the captures at the end.

    Only the end knows all: a hold closes after its onset, and the captures in between are
    suspect. Memory is one small entry a capture.
    """

    def __init__(self, point_error_limit_m: float, views: Mapping[str, View],
                 longest_gap_s: float) -> None:
        """
        Prepare for the capture streams that are the keys of ``views``.

        Between poses further apart than ``longest_gap_s`` nothing is interpolated.
        """
        self._limit_m = point_error_limit_m
        self._views = views
        self._longest_gap_ns = round(longest_gap_s * 1e9)
        self._entries: list[_Entry] = []
        self.counts = dict.fromkeys(views, 0)
        """How many pictures of each stream there were."""
        self._waiting: list[_Entry] = []
        self._stamps: list[int] = []
        self._poses: list[tuple[Odometry, float, bool]] = []
        self._path_m = 0.0
        self._batch: list[tuple[_Entry, np.ndarray, Vector, Vector]] = []

    def add_pose(self, odometry: Odometry, path_m: float, covariance_known: bool) -> None:
        """
        Take an accepted pose and the way travelled up to it.

        ``covariance_known`` is False while its covariance is not worth anything.
        """
        stamps = self._stamps
        stamp_ns = odometry.stamp_ns
        self._path_m = path_m
        if stamps and stamp_ns <= stamps[-1]:
            if stamps[-1] - stamp_ns <= _RESTART_NS:
                return
            stamps.clear()
            self._poses.clear()
        stamps.append(stamp_ns)
        self._poses.append((odometry, path_m, covariance_known))
        if len(stamps) > 2 * POSES_KEPT:
            del stamps[:POSES_KEPT]
            del self._poses[:POSES_KEPT]
        while self._waiting and self._waiting[0].stamp_ns <= stamp_ns:
            self._place(heapq.heappop(self._waiting))

    def add_capture(self, stream: str, stamp_ns: int, receive_ns: int,
                    time_error_s: float | None) -> None:
        """
        Take a picture; ``time_error_s`` is how far (rms) its clock may be off the pose stream's.

        KeyError for a stream that was not announced.
        """
        self.counts[stream] += 1
        entry = _Entry(stream, self.counts[stream], stamp_ns, receive_ns, time_error_s,
                       path_m=self._path_m)
        self._entries.append(entry)
        if self._stamps and stamp_ns <= self._stamps[-1]:
            self._place(entry)
        else:
            heapq.heappush(self._waiting, entry)

    def finish(self, holds: Sequence[Hold]) -> list[Capture]:
        """Return every capture with its verdict, in the order of receipt."""
        while self._waiting:
            self._place(heapq.heappop(self._waiting), LONGEST_EXTRAPOLATION_NS)
        self._solve()
        return self.judge(self._entries, holds)

    def judge(self, entries: Sequence[_Entry], holds: Sequence[Hold]) -> list[Capture]:
        """Return captures with their verdicts by the holds known."""
        count = len(entries)
        receive = np.fromiter((entry.receive_ns for entry in entries), np.int64, count)
        stamp = np.fromiter((entry.stamp_ns for entry in entries), np.int64, count)
        stamp = np.where(np.abs(stamp - receive) > LONGEST_DELAY_NS, receive, stamp)
        first, last = np.minimum(stamp, receive), np.maximum(stamp, receive)
        held = _covering(
            first, last, [(hold.closed_ns, hold.released_ns) for hold in holds])
        doubted = _covering(first, last, [(hold.onset_ns, hold.closed_ns) for hold in holds])
        # A hold's reasons are put into words once, not once a capture.
        reasons = [hold.reasons for hold in holds]
        return [
            self._judged(entry, reasons[in_hold] if in_hold >= 0 else None,
                         reasons[before_hold] if before_hold >= 0 else None)
            for entry, in_hold, before_hold in zip(entries, held.tolist(), doubted.tolist())]

    def _judged(self, entry: _Entry, held: tuple[str, ...] | None,
                doubted: tuple[str, ...] | None) -> Capture:
        verdict, reasons = TRUSTED, ()
        if held is not None:
            verdict, reasons = HELD, held
        else:
            own = self._own_reasons(entry)
            if doubted is not None:
                own = tuple(dict.fromkeys((*doubted, *own)))
            if own:
                verdict, reasons = SUSPECT, own
        return Capture(
            entry.stream, entry.number, entry.stamp_ns, entry.receive_ns, entry.position_m,
            entry.quaternion, entry.path_m, entry.sigma_position_m, entry.sigma_rotation_rad,
            entry.time_error_s, entry.point_error_m, verdict, reasons, entry.shares)

    def _own_reasons(self, entry: _Entry) -> tuple[str, ...]:
        if entry.position_m is None:
            return ('no pose around the time of its stamp',)
        if entry.sigma_position_m is None:
            return ('the error of its pose is not known',)
        if entry.time_error_s is None:
            return (f'the time error of {entry.stream} is not known',)
        if not entry.point_error_m <= self._limit_m:
            # The figure has its own column: one text for all such captures of a place.
            return (f'point error at its stamp above the limit of {self._limit_m:.3f} m',)
        return ()

    def _place(self, entry: _Entry, beyond_ns: int = 0) -> None:
        """
        Give a capture the pose at its stamp, if the kept poses enclose it closely enough.

        ``beyond_ns`` after the last pose its motion may be carried on.
        """
        stamps = self._stamps
        after = bisect_left(stamps, entry.stamp_ns)
        if after == len(stamps):
            if len(stamps) < 2 or entry.stamp_ns > stamps[-1] + beyond_ns:
                return
            after -= 1
        if stamps[after] == entry.stamp_ns:
            before = after
        elif after == 0:
            return
        else:
            before = after - 1
        gap_ns = stamps[after] - stamps[before]
        if gap_ns > self._longest_gap_ns:
            return
        share = (entry.stamp_ns - stamps[before]) / gap_ns if gap_ns else 0.0
        first, first_path_m, first_known = self._poses[before]
        second, second_path_m, second_known = self._poses[after]
        entry.path_m = first_path_m + share * (second_path_m - first_path_m)
        start = _quaternion_of(first)
        turn = rotation_vector(multiply(conjugate(start), _quaternion_of(second)))
        entry.position_m = _between(
            first.position_m.tolist(), second.position_m.tolist(), share)
        entry.quaternion = _normalized(multiply(
            start, from_rotation_vector(tuple(share * part for part in turn))))
        if first_known and second_known:
            covariance = first.covariance
            if share:
                # First order: the two are nearly the same and strongly correlated.
                covariance = (1.0 - share) * covariance + share * second.covariance
            speed, rate = _motion(first, second, turn, gap_ns, entry.quaternion)
            self._batch.append((entry, covariance, speed, rate))
            if len(self._batch) >= _BATCH:
                self._solve()

    def _solve(self) -> None:
        """Work the errors of the collected captures out, all at once."""
        if not self._batch:
            return
        entries = [item[0] for item in self._batch]
        covariance = np.array([item[1] for item in self._batch])
        speed = np.array([item[2] for item in self._batch])
        rate = np.array([item[3] for item in self._batch])
        self._batch.clear()
        views = [self._views[entry.stream] for entry in entries]
        turned = list(zip((entry.quaternion for entry in entries), views))
        sigma_t = np.array([np.nan if entry.time_error_s is None else entry.time_error_s
                            for entry in entries])
        budget = point_budget(
            covariance, np.array([rotate(turn, view.lever_m) for turn, view in turned]), speed,
            rate, np.nan_to_num(sigma_t),
            np.array([rotate(turn, view.line_of_sight_m) for turn, view in turned]),
            np.array([view.mount_sigma_m for view in views]),
            np.array([view.mount_sigma_rad for view in views]))
        shares = budget.shares()
        shares = np.stack([shares[part] for part in PARTS], axis=-1).tolist()
        sigmas = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
        for entry, error_m, share, sigma, time_s in zip(
                entries, budget.radius_m.tolist(), shares, sigmas.tolist(), sigma_t):
            entry.sigma_position_m = max(sigma[:3])
            entry.sigma_rotation_rad = max(sigma[3:])
            if not np.isnan(time_s):
                entry.point_error_m, entry.shares = error_m, tuple(share)


def _covering(first: np.ndarray, last: np.ndarray,
              spans: Sequence[tuple[int, int | None]]) -> np.ndarray:
    """
    Return, per interval [first, last], the number of the first span that it touches, else -1.

    A span holds its beginning but not its end; None as its end means that it is still going on.
    """
    found = np.full(len(first), -1)
    for number in reversed(range(len(spans))):
        begin, end = spans[number]
        touched = last >= begin
        if end is not None:
            touched &= first < end
        found[touched] = number
    return found


def _motion(first: Odometry, second: Odometry, turn: Vector, gap_ns: int,
            quaternion: Quaternion) -> tuple[Vector, Vector]:
    """Return velocity and angular velocity in the header's frame: reported, else by difference."""
    if second.linear_mps is not None:
        return (rotate(quaternion, second.linear_mps.tolist()),
                rotate(quaternion, second.angular_radps.tolist()))
    if not gap_ns:
        return (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
    seconds = gap_ns * 1e-9
    way = (second.position_m - first.position_m).tolist()
    return (tuple(part / seconds for part in way),
            rotate(quaternion, tuple(part / seconds for part in turn)))


def _quaternion_of(odometry: Odometry) -> Quaternion:
    return _normalized(odometry.quaternion.tolist())


def _normalized(quaternion: Sequence[float]) -> Quaternion:
    x, y, z, w = quaternion
    length = sqrt(x * x + y * y + z * z + w * w)
    return (x / length, y / length, z / length, w / length)


def _between(first: Sequence[float], second: Sequence[float], share: float) -> Vector:
    return tuple(a + share * (b - a) for a, b in zip(first, second))
