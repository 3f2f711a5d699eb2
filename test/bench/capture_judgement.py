# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How well the verdicts on captures agree with their true errors, over simulated runs.

``python test/bench/capture_judgement.py [--runs N] [FAMILY ...]`` draws runs of the rig, assesses
their bags and prints, for each family of runs and for all together, how many of the captures
whose true error is above the limit are neither held nor suspect (missed), and how many of those
whose true error is below 70 % of it are. The latter are told apart by what withheld them
(`CAUSES`), by the reasons of the ledger: a fault that holds the gate withholds good pictures too,
and that is its purpose.

The true error of a capture is the distance between the point on the structure placed with the
ledger's pose and the true one at the true time of the picture: in the frame that the run started
in, and once more in that of the trusted captures about OVER_M before. Both count from the last
jump of the pose: the jumps themselves are listed in summary.json. A frame is how the unit's poses
lie at the times at which the unit took them: what a clock does to a single picture is an error of
that picture, and as a part of a frame it would swing all points about.
"""

import argparse
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
import sys
import tempfile

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.configuration import Configuration, load_configuration, Stream
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.bag_writer import write_bag
from robot_mapping_qa.rig.clock import ClockSpec
from robot_mapping_qa.rig.faults import (
    ClockStep, CovarianceBlowup, DelayRise, Duplicates, Loss, PoseJump, Reordering, Silence)
from robot_mapping_qa.views import capture_views
from scipy.spatial.transform import Rotation

GOOD_SHARE = 0.7
OVER_M = 5.0
FRAME_PICTURES = 15
DURATION_S = 90.0
S = 1_000_000_000
CAUSES = {
    'start': 'until the gate opens for the first time',
    'fault': 'during an injected fault: the data cannot tell it from an error',
    'jump': 'the pose jumped: a picture there belongs to neither side',
    'lost': 'a required stream is silent, or settles after that',
    'delay': 'all is well, but for the off-delay or the deadband',
    'before': 'suspect: the cause of a hold had begun before it was found',
    'limit': 'held by a limit of stamps or delays alone, with the point error within its own',
    'known': 'the point error that is known, 95 %, is above the limit and the true one is not',
    'other': 'anything else'}
LOST = {'silent', 'not_seen', 'settling', 'no_pose', 'malformed'}
TIME_LIMITS = {'late', 'ahead', 'clock_moved'}
POINT_ERROR = {'over_limit', 'unknown', 'open_direction', 'unaided'}
UNIT, CAMERA, LIDAR, IMU = 'unit_odometry', 'front_camera', 'roof_lidar', 'body_imu'
GALLERY = replace(load_scenario('healthy'), duration_s=DURATION_S).with_sensor(
    LIDAR, columns=300)


def times(random):
    """Return a random start and end of a fault."""
    start_s = random.uniform(20.0, 50.0)
    return {'at_s': start_s, 'until_s': start_s + random.uniform(2.0, 15.0)}


def signed(random, low, high):
    """Return a size on a logarithmic scale with a random sign."""
    return float(np.exp(random.uniform(np.log(low), np.log(high))) * random.choice((-1, 1)))


def with_fault(fault):
    return replace(GALLERY, faults=(fault,))


def with_clock(random, sensor):
    clock = ClockSpec(random.uniform(-0.01, 0.01), signed(random, 20.0, 300.0))
    return GALLERY.with_sensor(sensor, clock=clock)


def walk(reports):
    walk = load_scenario('walk')
    drift = replace(walk, duration_s=230.0).with_sensor(UNIT, reports=reports)
    return drift.only(UNIT, IMU, 'wheels', LIDAR, 'aid_camera')


FAMILIES = {
    'healthy': lambda r: GALLERY,
    'blow-up with its error': lambda r: with_fault(CovarianceBlowup(
        sensor=UNIT, sigma_m=abs(signed(r, 0.02, 0.3)), real_error=True, **times(r))),
    'blow-up without error': lambda r: with_fault(CovarianceBlowup(
        sensor=UNIT, sigma_m=abs(signed(r, 0.02, 0.3)), **times(r))),
    'camera clock steps': lambda r: with_fault(ClockStep(
        sensor=CAMERA, size_s=signed(r, 0.005, 0.3), **times(r))),
    'camera clock steps for good': lambda r: with_fault(ClockStep(
        sensor=CAMERA, size_s=signed(r, 0.005, 0.3), at_s=times(r)['at_s'])),
    'unit clock steps': lambda r: with_fault(ClockStep(
        sensor=UNIT, size_s=signed(r, 0.005, 0.3), **times(r))),
    'camera clock drifts': lambda r: with_clock(r, CAMERA),
    'unit clock drifts': lambda r: with_clock(r, UNIT),
    'pose jumps': lambda r: with_fault(PoseJump(
        sensor=UNIT, x_m=signed(r, 0.05, 0.5), y_m=signed(r, 0.03, 0.3),
        yaw_rad=r.uniform(-0.1, 0.1), at_s=times(r)['at_s'])),
    'unit silent': lambda r: with_fault(Silence(sensor=UNIT, **times(r))),
    'lidar silent': lambda r: with_fault(Silence(sensor=LIDAR, **times(r))),
    'camera delay rises': lambda r: with_fault(DelayRise(
        sensor=CAMERA, to_s=r.uniform(0.05, 0.4), **times(r))),
    'unit delay rises': lambda r: with_fault(DelayRise(
        sensor=UNIT, to_s=r.uniform(0.05, 0.4), **times(r))),
    'odd messages': lambda r: with_fault(r.choice((Loss, Duplicates, Reordering))(
        sensor=r.choice((UNIT, CAMERA)), every=int(r.integers(2, 9)), **times(r))),
    'walk, honest': lambda r: walk('honest'),
    'walk, zero': lambda r: walk('zero'),
    'walk, constant': lambda r: walk('constant'),
    'walk, optimistic': lambda r: walk('optimistic'),
}


@dataclass
class Tally:
    """Captures of one family of runs."""

    captures: int = 0
    bad: int = 0
    good: int = 0
    withheld: Counter = field(default_factory=Counter)
    misses: Counter = field(default_factory=Counter)

    def add(self, other: 'Tally') -> None:
        """Add the captures of another family."""
        self.captures += other.captures
        self.bad += other.bad
        self.good += other.good
        self.withheld += other.withheld
        self.misses += other.misses


def configuration_of(scenario: object, agree_over_m: float | None) -> Configuration:
    """Return the demo's configuration, with the walk's camera and wheels where it is one."""
    configuration = load_configuration(share_file('config/demo_streams.yaml'))
    if agree_over_m is not None:
        configuration = replace(configuration, degradation=replace(
            configuration.degradation, agree_over_m=agree_over_m))
    if scenario.route is None:
        return configuration
    return replace(configuration, streams=(
        *(stream for stream in configuration.streams if stream.name != CAMERA),
        Stream('aid_camera', '/aid/image_raw', 'sensor_msgs/msg/Image', 'capture', 10.0,
               '/aid/camera_info', required=True),
        Stream('wheels', '/base/odometry', 'nav_msgs/msg/Odometry', 'motion', 50.0)))


def true_errors(rig: Rig, camera: str, captures: list, lever_m: np.ndarray,
                jumps_ns: list[int], over_m: float | None) -> np.ndarray:
    """
    Return the error of each capture's point (n,), m; infinite where it has no pose.

    Against the start, or with ``over_m`` against the trusted captures about so much of the way
    before (half as much to half as much again), where there are any; in both cases not across a
    jump.
    """
    taken_ns = np.array([message.measured_ns for message in Rig(
        rig.scenario.only(camera), rig.start_ns, rig.seed, pictures=False).messages()])
    errors = np.full(len(captures), np.inf)
    known = np.array([capture.position_m is not None for capture in captures])
    captures = [capture for capture in captures if capture.position_m is not None]
    taken_ns = taken_ns[known]
    true = [rig.true_motion(time_ns) for time_ns in taken_ns.tolist()]
    true_place = np.array([state.position for state in true])
    true_turn = Rotation.from_quat([state.quaternion for state in true])
    place = np.array([capture.position_m for capture in captures])
    turn = Rotation.from_quat([capture.quaternion for capture in captures])
    true_point = true_place + true_turn.apply(lever_m)
    # How the frame of the poses lies in that of the truth, by each capture.
    measured = [rig.true_motion(time_ns) for time_ns in unit_times_ns(rig, captures, taken_ns)]
    unit_place = np.array([state.position for state in measured])
    by = turn * Rotation.from_quat([state.quaternion for state in measured]).inv()
    jumps = np.searchsorted(sorted(jumps_ns), taken_ns)
    # Before the first jump the truth itself is the reference; after one the frame of the pictures
    # just behind it, as the noise of a single one would swing all places far away.
    expected = true_point.copy()
    for number in range(1, len(jumps_ns) + 1):
        after = jumps == number
        few = np.flatnonzero(after)[:FRAME_PICTURES]
        if few.size:
            turned = by[few].mean()
            moved = (place[few] - turned.apply(unit_place[few])).mean(axis=0)
            expected[after] = turned.apply(true_point[after]) + moved
    if over_m is not None:
        path_m = np.array([capture.path_m for capture in captures])
        trusted = np.array([capture.verdict == 'trusted' for capture in captures])
        for each in range(len(captures)):
            near = np.flatnonzero(
                trusted[:each] & (jumps[:each] == jumps[each])
                & (path_m[:each] <= path_m[each] - 0.5 * over_m)
                & (path_m[:each] >= path_m[each] - 1.5 * over_m))
            if near.size:
                turned = by[near].mean()
                moved = (place[near] - turned.apply(unit_place[near])).mean(axis=0)
                expected[each] = turned.apply(true_point[each]) + moved
    errors[known] = np.linalg.norm(place + turn.apply(lever_m) - expected, axis=1)
    return errors


def unit_times_ns(rig: Rig, captures: list, taken_ns: np.ndarray) -> list[int]:
    """Return when the unit's clock read the stamp of each capture, host time."""
    clock = rig.clocks[UNIT]
    return [min(clock.host_ns(capture.stamp_ns), key=lambda time_ns: abs(time_ns - taken),
                default=taken)
            for capture, taken in zip(captures, taken_ns.tolist())]


def fault_at(capture: object, truth: dict) -> dict | None:
    """Return the injected fault during which a capture was taken or received."""
    for fault in truth['faults']:
        # The mark of a pose jump remains, the jump itself is over at once.
        until_ns = truth['end_ns'] if fault['until_ns'] is None else fault['until_ns']
        if fault['kind'] != 'pose_jump' and (
                fault['from_ns'] <= capture.receive_ns and capture.stamp_ns < until_ns):
            return fault
    return None


def keys_at(hold: object, capture: object) -> set[str]:
    """Return the keys of the conditions that held the gate when a capture was taken."""
    def within(first_ns: int, last_ns: int) -> set[str]:
        return {key for key, course in hold.courses.items()
                if any(since_ns <= last_ns and (until_ns is None or first_ns <= until_ns)
                       for since_ns, until_ns in course.spans)}
    stamp_ns, receive_ns = capture.stamp_ns, capture.receive_ns
    return within(stamp_ns, stamp_ns) or within(
        min(stamp_ns, receive_ns), max(stamp_ns, receive_ns))


def judge_run(scenario, seed: int, agree_over_m: float | None,
              tallies: dict[float | None, Tally]) -> None:
    """Assess one run and add its captures to the tallies, by the way that errors count over."""
    configuration = configuration_of(scenario, agree_over_m)
    rig = Rig(scenario, seed=seed, pictures=False)
    with tempfile.TemporaryDirectory() as folder:
        bag = Path(folder) / 'bag'
        truth = write_bag(scenario, bag, pictures=False, seed=seed)
        with Recording(bag, configuration.streams) as recording:
            assessment = Assessment(configuration, recording.start_ns)
            for message in recording.messages():
                assessment.take(*message)
            assessment.finish(recording.end_ns)
    camera = configuration.with_role('capture')[0].name
    captures = assessment.captures
    jumps_ns = [fault['first_message_ns'] for fault in truth['faults']
                if fault['kind'] == 'pose_jump']
    withheld_by = causes(captures, assessment, truth, configuration.point_error_limit_m)
    for over_m, tally in tallies.items():
        errors = true_errors(rig, camera, captures,
                             np.array(capture_views(configuration)[camera].lever_m), jumps_ns,
                             over_m)
        shares = errors / configuration.point_error_limit_m
        tally.captures += len(captures)
        for capture, share, cause in zip(captures, shares.tolist(), withheld_by):
            if share > 1.0:
                tally.bad += 1
                if cause is None:
                    second = round((capture.receive_ns - truth['start_ns']) / S)
                    tally.misses[seed, second] += 1
            elif share < GOOD_SHARE:
                tally.good += 1
                if cause is not None:
                    tally.withheld[cause] += 1


def causes(captures: list, assessment: Assessment, truth: dict,
           limit_m: float) -> list[str | None]:
    """Return which of `CAUSES` each capture was withheld for, None where it is trusted."""
    holds = assessment.holds
    first_open_ns = holds[0].released_ns or assessment.end_ns

    def cause(capture) -> str | None:
        if capture.verdict == 'trusted':
            return None
        within_limit = capture.point_error_m is None or capture.point_error_m <= limit_m
        first_ns, last_ns = sorted((capture.receive_ns, capture.stamp_ns))
        if first_ns < first_open_ns:
            return 'start'
        if capture.verdict == 'suspect':
            before = any(hold.onset_ns <= last_ns and first_ns < hold.closed_ns for hold in holds)
            if before:
                return 'before'
            return 'known' if fault_at(capture, truth) is None else 'fault'
        hold = next(hold for hold in holds if hold.closed_ns <= last_ns and (
            hold.released_ns is None or first_ns < hold.released_ns))
        kinds = {key.partition('/')[2] for key in keys_at(hold, capture)}
        if within_limit:
            kinds -= POINT_ERROR
        if not kinds:
            return 'delay'
        if kinds & LOST:
            return 'lost'
        fault = fault_at(capture, truth)
        # A delay that rises and a clock that goes back are one and the same to who sees stamps.
        taken_for_step = 'clock_moved' in kinds and (
            fault is not None and fault['kind'] != 'clock_step')
        if kinds <= TIME_LIMITS and not taken_for_step and within_limit:
            return 'limit'
        if fault is not None:
            return 'fault'
        if 'jump' in kinds:
            return 'jump'
        return 'known' if kinds & POINT_ERROR else 'other'
    return [cause(capture) for capture in captures]


def show(name: str, tallies: dict[float | None, Tally]) -> None:
    """Print a line for each way that errors count over."""
    for over_m, tally in tallies.items():
        errors = 'from start' if over_m is None else f'over {over_m:g} m'
        parts = ' '.join(f'{tally.withheld[cause]:6}' for cause in CAUSES)
        print(f'{name:28} {errors:>10} {tally.captures:9} {tally.bad:7} '
              f'{tally.misses.total():7} {tally.good:11} {parts}', flush=True)


def main() -> int:
    """Print two lines a family."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('families', nargs='*', metavar='FAMILY', help='part of a name')
    parser.add_argument('--runs', type=int, default=4, help='runs of each family')
    parser.add_argument('--seed', type=int, default=1, help='seed of the first run')
    parser.add_argument('--agree', type=float, metavar='M',
                        help='degradation.agree_over_m in place of its default')
    parser.add_argument('--where', action='store_true', help='list the misses by run and second')
    options = parser.parse_args()
    print('Withheld although the true error is below 70 % of the limit:')
    print('\n'.join(f'  {name:7} {text}' for name, text in CAUSES.items()))
    print(f'{"family":28} {"errors":>10} {"captures":>9} {"above":>7} {"missed":>7} '
          f'{"below 70 %":>11} ' + ' '.join(f'{name:>6}' for name in CAUSES))
    totals: dict[float | None, Tally] = {None: Tally(), OVER_M: Tally()}
    for name, draw in FAMILIES.items():
        if options.families and not any(part in name for part in options.families):
            continue
        tallies = {over_m: Tally() for over_m in totals}
        for seed in range(options.seed, options.seed + options.runs):
            judge_run(draw(np.random.default_rng([seed, len(name)])), seed, options.agree,
                      tallies)
        show(name, tallies)
        for over_m, tally in tallies.items():
            totals[over_m].add(tally)
            if options.where and tally.misses:
                print(f'    missed at (seed, second): {dict(tally.misses)}')
    show('together', totals)
    return 0


if __name__ == '__main__':
    sys.exit(main())
