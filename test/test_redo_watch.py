# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Where to go again, told while the robot works."""

from math import cos, sin

import numpy as np
import pytest
from robot_mapping_qa.capture.ledger import Capture
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.redo import redo_places
from robot_mapping_qa.capture.redo_watch import MOST_REASONS, RedoWatch

S = 1_000_000_000
AHEAD = (0.0, 0.0, 0.0, 1.0)


class Run:
    """A robot that walks at 1 m/s along x and tells of itself ten times a second."""

    def __init__(self, **options):
        self.watch = RedoWatch(**options)
        self.now_ns, self.x, self.y, self.path_m = 100 * S, 0.0, 0.0, 0.0
        self.turn = AHEAD
        self.captures = []

    def stand(self, seconds, allowed, reasons=None):
        self._step(seconds, 0.0, allowed, reasons)

    def walk(self, metres, allowed, reasons=None):
        self._step(abs(metres), 0.1 if metres > 0 else -0.1, allowed, reasons)

    def _step(self, seconds, step_m, allowed, reasons):
        for _ in range(round(seconds * 10)):
            self.now_ns += S // 10
            self.x += step_m
            self.path_m += abs(step_m)
            place = (self.x, self.y, 0.0)
            self.watch.add(self.now_ns, place, self.turn, self.path_m, allowed, reasons or {})
            self.captures.append(Capture(
                'camera', len(self.captures) + 1, self.now_ns, self.now_ns, place, self.turn,
                self.path_m, None, None, None, None, 'trusted' if allowed else 'held', ()))

    @property
    def spans(self):
        return [(place.number, round(place.path_from_m), round(place.path_to_m))
                for place in self.watch.places]


def test_each_held_stretch_is_a_numbered_place_with_its_reasons():
    run = Run()
    run.walk(10, True)
    run.walk(3, False, {'front_camera/silent': 'front_camera silent'})
    run.walk(10, True)
    run.walk(2, False, {'gate/manual_hold': 'held by hand'})
    run.walk(10, True)
    # The last half metre of each is near enough to where the gate was open again.
    assert run.spans == [(1, 10, 12), (2, 23, 25)]
    first, second = run.watch.places
    assert (first.reasons, second.reasons) == (('front_camera silent',), ('held by hand',))
    assert 10.0 < first.position_m[0] < 13.0


def test_a_place_walked_again_with_an_open_gate_is_done_and_numbers_stay():
    run = Run()
    run.walk(10, True)
    run.walk(3, False)
    run.walk(10, True)
    run.walk(3, False)
    run.walk(2, True)
    run.walk(-20, True)
    run.stand(6, True)
    # Walking back also passed the second place; the first is passed at last.
    assert run.spans == []
    run.y = 50.0
    run.walk(3, False)
    assert [number for number, *_ in run.spans] == [3]


def test_looking_another_way_makes_up_for_nothing():
    run = Run()
    run.walk(10, True)
    run.walk(3, False)
    run.turn = (0.0, 0.0, sin(0.5), cos(0.5))
    run.walk(-10, True)
    run.stand(6, True)
    assert [number for number, *_ in run.spans] == [1]


def test_a_hold_while_standing_makes_no_place():
    run = Run()
    run.stand(10, False)
    run.stand(10, True)
    run.walk(10, True)
    run.stand(5, False)
    run.walk(10, True)
    assert run.spans == []
    run.walk(2, False)
    assert [number for number, *_ in run.spans] == [1]


def test_what_was_taken_since_the_onset_is_to_be_done_again():
    run = Run()
    run.walk(10, True)
    run.watch.set_onset(run.now_ns - 3 * S)
    run.walk(1, False)
    run.walk(10, True)
    assert run.spans == [(1, 7, 10)]


def test_a_hold_is_one_place_however_far_the_robot_went_unseen():
    run = Run()
    run.walk(10, True)
    run.walk(1, False, {'unit/silent': 'unit silent'})
    run.x, run.path_m = run.x + 8.0, run.path_m + 8.0
    run.walk(1, False)
    run.walk(10, True)
    assert run.spans == [(1, 10, 19)]
    assert run.watch.places[0].reasons == ('unit silent',)


def test_ground_taken_back_by_an_onset_makes_up_for_nothing():
    run = Run()
    run.walk(10, True)
    run.walk(2, False)
    run.walk(4, True)
    run.walk(-4, True)
    run.watch.set_onset(run.now_ns - 5 * S)
    run.walk(-4, False)
    run.y = 30.0
    run.walk(-10, True)
    assert run.spans[0][0] == 1


def test_it_agrees_with_the_list_that_the_ledger_makes_of_the_same_walk():
    run = Run()
    rng = np.random.default_rng(5)
    run.stand(3, False)
    for number in range(12):
        run.walk(float(rng.uniform(5, 15)), True)
        run.walk(float(rng.uniform(1.5, 6)), False)
    run.walk(-40, True)
    run.stand(6, True)
    offline = redo_places(run.captures)
    live = run.watch.places
    assert len(live) == len(offline) > 3
    for one, other in zip(live, offline):
        assert one.path_from_m == pytest.approx(other.path_from_m, abs=0.5)
        assert one.path_to_m == pytest.approx(other.path_to_m, abs=0.5)


def test_hours_without_trust_stay_bounded():
    run = Run(most_spots=200, most_places=5)
    for _ in range(12):
        run.walk(20, True)
        run.walk(30, False, {f'stream_{n}/late': f'stream_{n} late' for n in range(9)})
    places = run.watch.places
    assert [place.number for place in places] == [1, 2, 3, 4, 5]
    assert places[-1].path_to_m == pytest.approx(12 * 50, abs=2.0)
    assert all(len(place.reasons) <= MOST_REASONS for place in places)
    assert sum(len(stretch.spots) for stretch in run.watch._stretches) <= 200


def test_time_that_starts_again_stops_nothing():
    run = Run()
    run.walk(10, True)
    run.now_ns = 5 * S
    run.walk(3, False)
    run.walk(10, True)
    assert len(run.spans) == 1


@pytest.mark.parametrize('begins_s', [0, 5])
def test_what_was_held_before_time_started_again_can_be_made_up_for(begins_s):
    run = Run()
    run.walk(10, True)
    run.walk(3, False)
    run.walk(10, True)
    assert [number for number, *_ in run.spans] == [1]
    run.now_ns = begins_s * S - S // 10
    run.walk(-23, True)
    run.stand(6, True)
    assert run.spans == []


def test_a_robot_that_stands_when_time_starts_again_makes_up_for_where_it_stands():
    run = Run()
    run.walk(10, True)
    run.walk(3, False)
    run.stand(1, True)
    assert run.spans == [(1, 10, 13)]
    run.now_ns = 5 * S
    run.stand(7, True)
    assert run.spans == [(1, 10, 12)]


def test_ground_before_time_started_again_makes_up_for_nothing_after_it():
    run = Run()
    run.walk(4, True)
    run.now_ns = 5 * S
    run.walk(-4, False)
    run.y = 30.0
    run.walk(10, True)
    assert [number for number, *_ in run.spans] == [1]


def test_without_any_distance_nothing_makes_up():
    run = Run(limits=GateLimits(redo_distance_m=0.0))
    run.walk(3, True)
    run.walk(3, False)
    run.walk(3, True)
    run.walk(-9, True)
    assert len(run.spans) == 1
