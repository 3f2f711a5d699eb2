# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The ledger of captures: where each was taken, how well that is known, and its verdict."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
import heapq
from typing import Collection, Mapping, Protocol, Sequence

import numpy as np

from robot_mapping_qa.capture.budget import PARTS, point_budget
from robot_mapping_qa.capture.moments import Moments
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.capture.unit_motion import unit_motion
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.pose.quaternion import (
    conjugate, from_rotation_vector, multiply, normalized, Quaternion, rotate, rotation_vector,
    Vector, vector)
from robot_mapping_qa.pose.usable_pose import unit_quaternion
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.restart import RESTART_NS

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


@dataclass(frozen=True, slots=True)
class Capture:
    """
    One picture and what is known about it; None where it is not known.

    ``number`` counts the pictures of ``stream`` from 1. Pose and quaternion (x, y, z, w) are the
    unit's, interpolated at the picture's stamp; ``path_m`` is the way travelled up to then. The
    standard deviations are those of the worst axis. ``time_error_s`` is the root mean square of
    how far the picture's clock is off the unit's, ``point_error_m`` the 95 % error of a point on
    the structure, and ``shares`` what each of `budget.PARTS` has in its mean square.
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


class KnownHold(Protocol):
    """What is to be known of a hold to judge captures by it."""

    @property
    def onset_ns(self) -> int:
        """When its earliest cause began."""

    @property
    def closed_ns(self) -> int:
        """When the gate closed."""

    @property
    def released_ns(self) -> int | None:
        """When it opened again; None while it is held."""

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why, for a person: over the whole hold."""

    @property
    def moments(self) -> Moments:
        """Why at which moment."""


@dataclass(slots=True)
class Entry:
    """A capture before its verdict."""

    stream: str
    number: int
    stamp_ns: int
    receive_ns: int
    time_error: TimeError | None
    position_m: Vector | None = None
    quaternion: Quaternion | None = None
    path_m: float = 0.0
    sigma_position_m: float | None = None
    sigma_rotation_rad: float | None = None
    view: View | None = None
    point_error_m: float | None = None
    shares: tuple[float, ...] | None = None
    written: Capture | None = None
    """Its row where it was read back from a ledger: holds may add to it, nothing takes back."""

    def __lt__(self, other: Entry) -> bool:
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
        self._configured_views = views
        self._views: Mapping[str, View] | None = views
        self._distance_m: float | None = 0.0
        self._longest_gap_ns = round(longest_gap_s * 1e9)
        self._entries: list[Entry] = []
        self.counts = dict.fromkeys(views, 0)
        """How many pictures of each stream there were."""
        self._waiting: list[Entry] = []
        self._stamps: list[int] = []
        self._poses: list[tuple[Odometry, float, bool, Mapping[str, View] | None]] = []
        self._path_m = 0.0
        self._batch: list[tuple[Entry, Quaternion, np.ndarray, Vector, Vector]] = []

    def set_distance(self, distance_m: float | None) -> None:
        """
        Take the distance from the cameras to the structure, for the poses that follow.

        None while it is not known; as in the views until the first call.
        """
        if distance_m == self._distance_m:
            return
        self._distance_m = distance_m
        self._views = None if distance_m is None else {
            name: view.at(distance_m) for name, view in self._configured_views.items()}

    def add_pose(self, odometry: Odometry, path_m: float, covariance_known: bool) -> None:
        """
        Take an accepted pose and the way travelled up to it.

        ``covariance_known`` is False while its covariance is not worth anything.
        """
        stamps = self._stamps
        stamp_ns = odometry.stamp_ns
        self._path_m = path_m
        if stamps and stamp_ns <= stamps[-1]:
            if stamps[-1] - stamp_ns <= RESTART_NS:
                return
            stamps.clear()
            self._poses.clear()
        stamps.append(stamp_ns)
        self._poses.append((odometry, path_m, covariance_known, self._views))
        if len(stamps) > 2 * POSES_KEPT:
            del stamps[:POSES_KEPT]
            del self._poses[:POSES_KEPT]
        while self._waiting and self._waiting[0].stamp_ns <= stamp_ns:
            self._place(heapq.heappop(self._waiting))

    def add_capture(self, stream: str, stamp_ns: int, receive_ns: int,
                    time_error: TimeError | None) -> None:
        """
        Take a picture; ``time_error`` is how far its clock is off the pose stream's.

        KeyError for a stream that was not announced.
        """
        self.counts[stream] += 1
        entry = Entry(stream, self.counts[stream], stamp_ns, receive_ns, time_error,
                      path_m=self._path_m)
        self._entries.append(entry)
        if self._stamps and stamp_ns <= self._stamps[-1]:
            self._place(entry)
        else:
            heapq.heappush(self._waiting, entry)

    def finish(self, holds: Collection[KnownHold]) -> list[Capture]:
        """Return every capture with its verdict, in the order of receipt, and let go of them."""
        while self._waiting:
            self._place(heapq.heappop(self._waiting), LONGEST_EXTRAPOLATION_NS)
        self._solve()
        entries, self._entries = self._entries, []
        return self.judge(entries, holds)

    def judge(self, entries: Sequence[Entry],
              holds: Collection[KnownHold]) -> list[Capture]:
        """Return captures with their verdicts by the holds known."""
        count = len(entries)
        receive = np.fromiter((entry.receive_ns for entry in entries), np.int64, count)
        stamp = np.fromiter((picture_time_ns(entry) for entry in entries), np.int64, count)
        first, last = np.minimum(stamp, receive), np.maximum(stamp, receive)
        held = covering(
            first, last, [(hold.closed_ns, hold.released_ns) for hold in holds])
        doubted = covering(first, last, [(hold.onset_ns, hold.closed_ns) for hold in holds])
        moments = [hold.moments for hold in holds]
        return [
            self._judged(
                entry,
                moments[in_hold].at(stamp_ns, entry.receive_ns) if in_hold >= 0 else None,
                moments[before_hold].before(stamp_ns, entry.receive_ns)
                if before_hold >= 0 else None)
            for entry, stamp_ns, in_hold, before_hold in zip(
                entries, stamp.tolist(), held.tolist(), doubted.tolist())]

    def _judged(self, entry: Entry, held: tuple[str, ...] | None,
                doubted: tuple[str, ...] | None) -> Capture:
        written = entry.written
        if written is not None and held is None and (
                doubted is None or written.verdict == HELD):
            return written
        verdict = TRUSTED
        reasons: tuple[str, ...] = ()
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
            None if entry.time_error is None else entry.time_error.rms_s,
            entry.point_error_m, verdict, reasons, entry.shares)

    def _own_reasons(self, entry: Entry) -> tuple[str, ...]:
        if entry.position_m is None:
            return ('no pose around the time of its stamp',)
        if entry.sigma_position_m is None:
            return ('the error of its pose is not known',)
        if entry.time_error is None:
            return (f'the time error of {entry.stream} is not known',)
        if entry.view is None:
            return ('the distance to the structure is not known',)
        if entry.point_error_m is None or not entry.point_error_m <= self._limit_m:
            # The figure has its own column: one text for all such captures of a place.
            return (f'point error at its stamp above the limit of {self._limit_m:.3f} m',)
        return ()

    def _place(self, entry: Entry, beyond_ns: int = 0) -> None:
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
        before = after - 1
        if before < 0 or stamps[after] - stamps[before] > self._longest_gap_ns:
            if stamps[after] != entry.stamp_ns:
                return
            # This pose alone counts: it tells the place, but the speed by its twist only.
            before = after
        gap_ns = stamps[after] - stamps[before]
        share = (entry.stamp_ns - stamps[before]) / gap_ns if gap_ns else 1.0
        first, first_path_m, first_known, _ = self._poses[before]
        second, second_path_m, second_known, views = self._poses[after]
        entry.path_m = first_path_m + share * (second_path_m - first_path_m)
        start = unit_quaternion(first)
        turn = rotation_vector(multiply(conjugate(start), unit_quaternion(second)))
        entry.position_m = _between(
            first.position_m.tolist(), second.position_m.tolist(), share)
        entry.quaternion = normalized(*multiply(
            start, from_rotation_vector(vector(share * part for part in turn))))
        entry.view = None if views is None else views[entry.stream]
        motion = unit_motion(first, second, entry.quaternion)
        if second_known and (first_known or share >= 1.0) and motion is not None:
            covariance = second.covariance
            if share < 1.0:
                # Never too small, however the two are correlated: a square is convex. That does
                # not hold beyond the last pose, whose own covariance counts there.
                covariance = (1.0 - share) * first.covariance + share * covariance
            self._batch.append((entry, entry.quaternion, covariance, *motion))
            if len(self._batch) >= _BATCH:
                self._solve()

    def _solve(self) -> None:
        """Work the errors of the collected captures out, all at once."""
        if not self._batch:
            return
        entries = [item[0] for item in self._batch]
        covariance = np.array([item[2] for item in self._batch])
        speed = np.array([item[3] for item in self._batch])
        rate = np.array([item[4] for item in self._batch])
        quaternions = [item[1] for item in self._batch]
        self._batch.clear()
        views = [entry.view or self._configured_views[entry.stream] for entry in entries]
        turned = list(zip(quaternions, views))
        moved_s, sigma_s = np.array([entry.time_error or (0.0, 0.0) for entry in entries]).T
        budget = point_budget(
            covariance, np.array([rotate(turn, view.lever_m) for turn, view in turned]), speed,
            rate, sigma_s,
            np.array([rotate(turn, view.line_of_sight_m) for turn, view in turned]),
            np.array([view.mount_sigma_m for view in views]),
            np.array([view.mount_sigma_rad for view in views]), moved_s)
        by_part = budget.shares()
        shares = np.stack([by_part[part] for part in PARTS], axis=-1).tolist()
        sigmas = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
        for entry, error_m, share, sigma in zip(
                entries, budget.radius_m.tolist(), shares, sigmas.tolist()):
            entry.sigma_position_m = max(sigma[:3])
            entry.sigma_rotation_rad = max(sigma[3:])
            if entry.time_error is not None and entry.view is not None:
                entry.point_error_m, entry.shares = error_m, tuple(share)


def picture_time_ns(picture: Entry | Capture) -> int:
    """Return when a picture was taken: its stamp, or its receipt where the stamp cannot be so."""
    stamp_ns, receive_ns = picture.stamp_ns, picture.receive_ns
    return receive_ns if abs(stamp_ns - receive_ns) > LONGEST_DELAY_NS else stamp_ns


def covering(first: np.ndarray, last: np.ndarray,
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


def _between(first: Sequence[float], second: Sequence[float], share: float) -> Vector:
    return vector(a + share * (b - a) for a, b in zip(first, second))
