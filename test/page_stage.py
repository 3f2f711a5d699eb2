# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the page is told, without a robot: messages made by the package's own code."""

from dataclasses import replace
from math import cos, sin

import numpy as np
from robot_mapping_qa.capture.gate import Decision
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.markers import RunMarkers
from robot_mapping_qa.messages.outputs import (
    DIAGNOSTIC_PREFIX, diagnostics_message, events_message, gate_status, lamp, redo_diagnostic)
from robot_mapping_qa.messages.verdict_message import make_status, OK, WARN
from robot_mapping_qa.page.site_state import SiteState
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Condition, Event, Severity
from rosbags.typesys import get_typestore, Stores

S = 1_000_000_000
NOW_NS = 1_790_000_000 * S
FACTORY = RosbagsFactory(get_typestore(Stores.ROS2_JAZZY))
FIGURES = {'point_error_m': 0.031, 'point_error_limit_m': 0.05, 'until_limit_s': None,
           'until_limit_m': None, 'path_length_m': 120.0}


def condition(key, text, severity=Severity.HARD):
    return Condition(key, text, severity, NOW_NS - 5 * S)


OPEN = Decision(NOW_NS, True, NOW_NS - 42 * S, (), (), None, FIGURES, {})
NEAR = replace(OPEN, figures={**FIGURES, 'point_error_m': 0.044, 'until_limit_s': 12.0,
                              'until_limit_m': 6.0},
               notices=(condition(
                   'point_error/limit_near', 'limit of 0.050 m in about 12 s or 6.0 m at the '
                   'present trend (now 0.044 m)', Severity.NOTICE),))


def held(*conditions, consequences=(), **changes):
    """Return a decision that is held by conditions, the first the cause of the consequences."""
    reasons = {c.key: [] for c in conditions}
    if consequences:
        reasons[conditions[0].key] = [c.key for c in consequences]
    return replace(OPEN, allowed=False, since_ns=NOW_NS - 7 * S,
                   conditions=(*conditions, *consequences), reasons=reasons, **changes)


BROKEN = held(
    condition('unit_odometry/silent', 'unit_odometry silent for 3.2 s'),
    condition('front_camera/clock_stepped',
              'front_camera clock stepped by +80.1 ms 2.1 s ago and has not come back'),
    consequences=(condition('unit_odometry/no_pose', 'no pose of unit_odometry for 3.2 s'),
                  condition('point_error/unknown', 'the error on the structure is not known')),
    figures={**FIGURES, 'point_error_m': None})
OVER = held(condition('point_error/over_limit', 'a point on the structure is only known to '
                      '0.081 m (limit 0.050 m)', Severity.SOFT),
            figures={**FIGURES, 'point_error_m': 0.081})
BY_HAND = held(condition('gate/manual_hold', 'held by hand: scaffold in view'))
WAITING = held(waiting_s=1.4)


class Stage:
    """A `SiteState` and what to tell it."""

    def __init__(self, robot=''):
        self.state = SiteState(robot)
        self.steady_ns = 50 * S
        self.markers = RunMarkers(FACTORY)
        self.trail = Trail()

    def gate(self, decision, lit=True):
        colour, _ = lamp(decision)
        self.state.gate.publishers = 1
        self.state.gate.take_allowed(decision.allowed, self.steady_ns)
        self.state.take_gate(gate_status(FACTORY, decision, None))
        self.state.gate.take_light(colour if lit else (0.0, 0.0, 0.0))

    def pose(self, x, y, yaw=0.0):
        self.last_pose = Odometry(
            NOW_NS, 'map', '', np.array([x, y, 0.0]),
            np.array([0.0, 0.0, sin(yaw / 2), cos(yaw / 2)]), np.eye(6) * 1e-4, None, None, None)
        self.state.take_pose(self.last_pose, self.steady_ns)

    def disk(self, minutes=142.0, free_bytes=123.4e9, text='recording', level=OK, robot=''):
        self.state.take_diagnostics(diagnostics_message(FACTORY, [make_status(
            FACTORY, f'{robot}{DIAGNOSTIC_PREFIX}recording', level, text,
            {'remaining_minutes': minutes, 'free_bytes': free_bytes})], NOW_NS), self.steady_ns)

    def places(self, places):
        self.state.take_diagnostics(diagnostics_message(
            FACTORY, [redo_diagnostic(FACTORY, places)], NOW_NS), self.steady_ns)

    def events(self, *events):
        self.state.take_events(events_message(FACTORY, events, NOW_NS))

    def send_markers(self, messages=1):
        for _ in range(messages):
            self.state.take_markers(self.markers.message(self.trail, [], self.last_pose))

    def walk_round(self, metres, held_every_m=90.0, held_m=8.0):
        """Walk along the bays of a hall, with a held stretch now and then."""
        places, number = [], 0
        was_held = False
        for step in np.arange(0.0, metres, 0.1):
            bay, along = divmod(step, 50.0)
            x = along if int(bay) % 2 == 0 else 50.0 - along
            y = 1.5 * bay + 0.3 * sin(step / 4.0)
            is_held = step % held_every_m > held_every_m - held_m
            self.trail.add(float(x), float(y), 0.0, not is_held)
            if is_held and not was_held:
                number += 1
                places.append(Place(number, (float(x), float(y), 0.0), float(step),
                                    float(step + held_m), ('front_camera silent',
                                                           'unit_odometry jumped 0.40 m')))
            was_held = is_held
        self.pose(float(x), float(y), 0.0 if int(bay) % 2 == 0 else np.pi)
        self.send_markers(30)
        self.places(places)
        return places

    def a_few_events(self):
        self.events(
            Event('hold', 'gate', NOW_NS - 60 * S, NOW_NS - 59 * S, 'front_camera silent'),
            Event('suspect', 'gate', NOW_NS - 60 * S, NOW_NS - 59 * S,
                  'captures of the 0.80 s before the gate closed are suspect: that is when its '
                  'cause began'),
            Event('stream_back', 'front_camera', NOW_NS - 50 * S, NOW_NS - 50 * S,
                  'front_camera is back after 4.2 s'),
            Event('release', 'gate', NOW_NS - 42 * S, NOW_NS - 42 * S,
                  'open again after 17.0 s'))


WARNED_DISK = {'minutes': 7.0, 'free_bytes': 2.1e9, 'level': WARN,
               'text': 'the disk is full in 7 min at the present rate'}
