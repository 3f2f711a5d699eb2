# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The walk round a structure: its scans, its drift and its pictures follow from the scene."""

import ast
from dataclasses import replace
import json
from pathlib import Path

import numpy as np
import pytest
from robot_mapping_qa.rig import load_scenario, Rig, scenario_from_yaml, ScenarioError
from robot_mapping_qa.rig.bag_writer import write_bag
from robot_mapping_qa.rig.drift import DriftSpec
from robot_mapping_qa.rig.fan import level_fan
from robot_mapping_qa.rig.faults import PoseJump
from robot_mapping_qa.rig.range_physics import incidence_cosine
from robot_mapping_qa.rig.registration import scene_information, UnitScanner
from robot_mapping_qa.rig.route import closed_spline
from robot_mapping_qa.rig.scanner import WATER_RETURNS
from robot_mapping_qa.rig.solids import Box, Cylinder, NOTHING, Solids
from rosbags.highlevel import AnyReader
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, spearmanr

WALK = load_scenario('walk')
ROUTE, SITE = WALK.route, WALK.route.site
# In the order of the walk: open ground, passage, hall, underside.
PLACES_S = {'approach': 3.0, 'passage': 45.0, 'hall': 118.0, 'underside': 190.0}
S = 10 ** 9


def messages_of(scenario, topic, seed=1, **options):
    rig = Rig(scenario, seed=seed, **options)
    return rig, [m for m in rig.messages() if m.topic == topic]


def scanned(at_s, seed=1, **settings):
    """Return the scan that ends at a time, and its points with a place."""
    settings = {'columns': 360, 'rate_hz': 5.0, **settings}
    spec = replace(WALK.sensors['roof_lidar'], **settings)
    sensor = spec.start(ROUTE, np.random.default_rng(seed))
    (_, cloud), = sensor.measure(at_s)
    return cloud, cloud.points[np.isfinite(cloud.points['x'])]


def in_map(points, stamp_s):
    """Return where points are in the map, each by the exact pose at its own time, (n, 3)."""
    place = np.empty((len(points), 3))
    for time_s in np.unique(points['time']):
        chosen = points['time'] == time_s
        true = ROUTE.at(stamp_s + float(time_s))
        body = np.c_[points['x'][chosen], points['y'][chosen], points['z'][chosen]]
        place[chosen] = Rotation.from_quat(true.quaternion).apply(body) + true.position
    return place


def among_leaves(places, margin_m=0.05):
    low, high = (np.array([getattr(box, end) for box in SITE.vegetation])
                 for end in ('low', 'high'))
    return ((places[:, None] > low - margin_m) & (places[:, None] < high + margin_m)).all(
        axis=2).any(axis=1)


# The walk

def test_the_walk_passes_through_every_part_and_comes_back():
    names = [s.name for s in ROUTE.stretches(WALK.duration_s)]
    assert names == ['approach', 'passage', 'hall', 'underside', 'approach', 'passage']
    assert 150.0 < ROUTE.lap_m < 250.0 and ROUTE.lap_s < WALK.duration_s
    places = np.array([ROUTE.at(t).position for t in np.arange(0.0, ROUTE.lap_s, 0.25)])
    # 0.8 m is the ground below the body; nothing else comes nearer.
    assert SITE.solids.distance_m(places).min() > 0.75
    assert ROUTE.at(ROUTE.lap_s).position[:2] == pytest.approx(ROUTE.at(0.0).position[:2])


def test_the_path_is_the_periodic_cubic_spline():
    knots, *pieces = closed_spline(SITE.way)
    # scipy's spline with periodic ends as the reference; its pieces are along the second axis.
    expected = CubicSpline(knots, np.vstack([SITE.way, SITE.way[:1]]), bc_type='periodic').c
    for axis in range(2):
        assert pieces[axis].T == pytest.approx(expected[:, :, axis], abs=1e-9)


def test_velocity_turn_rate_and_acceleration_are_derivatives_of_the_pose():
    h = 1e-4
    for t in np.linspace(0.3, 290.0, 101):
        before, now, after = ROUTE.at(t - h), ROUTE.at(t), ROUTE.at(t + h)
        to_map = Rotation.from_quat(now.quaternion)
        positions = np.array([before.position, now.position, after.position])
        velocity = (positions[2] - positions[0]) / (2 * h)
        acceleration = (positions[2] - 2 * positions[1] + positions[0]) / h ** 2
        turned = Rotation.from_quat(before.quaternion).inv() * Rotation.from_quat(
            after.quaternion)
        assert to_map.apply(now.linear) == pytest.approx(velocity, abs=1e-6)
        assert to_map.apply(now.acceleration) == pytest.approx(acceleration, abs=1e-4)
        assert now.angular == pytest.approx(turned.as_rotvec() / (2 * h), abs=1e-6)


# What the lidar sees

def test_beams_end_where_geometry_says():
    # A square room 10 m by 10 m by 4 m with a column of 0.5 m radius, 3 m ahead.
    room = Solids(
        [Box((-6.0, -6.0, -3.0), (-5.0, 6.0, 3.0)), Box((5.0, -6.0, -3.0), (6.0, 6.0, 3.0)),
         Box((-6.0, -6.0, -3.0), (6.0, -5.0, 3.0)), Box((-6.0, 5.0, -3.0), (6.0, 6.0, 3.0)),
         Box((-6.0, -6.0, -3.0), (6.0, 6.0, -2.0)), Box((-6.0, -6.0, 2.0), (6.0, 6.0, 3.0))],
        [Cylinder(3.0, 0.0, 0.5, -2.0, 2.0)])
    fan = level_fan(np.zeros(3), 3, 8, 1.2)
    hits = room.cast(fan, 50.0)
    # Columns go clockwise from behind by 45 degrees: behind, left behind, left, ..., ahead is 4.
    assert hits.reach[1, [0, 2, 4, 6]] == pytest.approx([5.0, 5.0, 2.5, 5.0])
    assert hits.reach[1, [1, 3, 5, 7]] == pytest.approx(5.0 * 2 ** 0.5)
    # 0.6 rad down the beam meets the floor, 2 m below, before the wall behind.
    assert hits.reach[0, 0] == pytest.approx(2.0 / np.sin(0.6))
    assert hits.normal[:, 1, 4] == pytest.approx([-1.0, 0.0, 0.0])
    assert incidence_cosine(fan, hits)[0, 0] == pytest.approx(np.sin(0.6))
    assert room.cast(fan, 2.0).surface[1, 4] == NOTHING


@pytest.mark.parametrize('stretch', PLACES_S)
def test_no_beam_is_missed_by_looking_only_where_a_surface_is(stretch):
    position = np.array(ROUTE.at(PLACES_S[stretch]).position)
    fan = level_fan(position, 32, 500, 0.8)
    hits = SITE.solids.cast(fan, 40.0)
    # With beams that might be turned by 10 rad every surface is tried with every beam.
    everywhere = SITE.solids.cast(replace(fan, spread_rad=10.0), 40.0)
    assert np.array_equal(hits.reach, everywhere.reach)
    assert np.array_equal(hits.surface, everywhere.surface)


@pytest.mark.parametrize('stretch', PLACES_S)
def test_clouds_lie_on_the_surfaces(stretch):
    at_s = PLACES_S[stretch]
    _, points = scanned(at_s, range_noise_m=0.0, rings=32)
    places = in_map(points, at_s)
    leaves = among_leaves(places)
    off_m = SITE.solids.distance_m(places[~leaves])
    range_m = np.sqrt(sum(points[~leaves][a].astype(float) ** 2 for a in 'xyz'))
    # 1 cm for what changes during a revolution, and five sigma of a beam 3 mrad wide, which on
    # a slant reaches that much above and below the surface.
    assert np.all(off_m < 0.01 + 5 * 0.003 / 4 * range_m)
    assert (leaves.sum() > 100) == (stretch == 'underside')


def test_range_noise_is_what_is_set():
    # In the passage the walls stand squarely abeam, where a range is the distance.
    at_s = PLACES_S['passage']
    cloud, _ = scanned(at_s, range_noise_m=0.02, columns=3600, dropouts=0.0)
    exact, _ = scanned(at_s, range_noise_m=0.0, columns=3600, dropouts=0.0)
    noise = [np.sqrt(sum(c.points[a].astype(float) ** 2 for a in 'xyz')) for c in (cloud, exact)]
    near = noise[1] < 2.0
    assert near.sum() > 5000
    assert (noise[0] - noise[1])[near].std() == pytest.approx(0.02, rel=0.05)


@pytest.mark.parametrize('rings', [16, 64, 128])
def test_rings_and_order_are_as_configured(rings):
    cloud, points = scanned(PLACES_S['approach'], rings=rings)
    assert cloud.points.shape == (rings, 360) and not cloud.dense
    assert np.array_equal(np.unique(points['ring']), np.arange(rings))
    assert points['time'].max() <= 0.0 and points['time'].min() > -0.1
    # On open ground much of what a level scanner sends out never comes back.
    assert 0.3 < len(points) / cloud.points.size < 0.7
    loose, same = scanned(PLACES_S['approach'], rings=rings, keeps_order=False)
    assert loose.points.shape == (1, len(points)) and loose.dense
    assert np.array_equal(np.sort(same['x']), np.sort(points['x']))


def test_water_gives_nearly_nothing_back():
    at_s = PLACES_S['underside']
    _, points = scanned(at_s, rings=128, range_m=60.0, range_noise_m=0.0)
    places = in_map(points, at_s)
    returned = np.count_nonzero(
        SITE.wet(places[:, 0], places[:, 1]) & (np.abs(places[:, 2] + 0.8) < 0.02)
        & ~among_leaves(places))
    fan = level_fan(np.array(ROUTE.at(at_s).position), 128, 360, 0.8)
    hits = SITE.solids.cast(fan, 60.0)
    x, y, z = np.array(ROUTE.at(at_s).position)[:, None, None] + np.where(
        np.isfinite(hits.reach), hits.reach, 0.0) * fan.beams
    sent = np.count_nonzero((hits.normal[2] > 0.5) & (z < -0.7) & SITE.wet(x, y))
    assert sent > 500
    assert returned < 2 * WATER_RETURNS * sent


def test_leaves_give_a_different_range_each_time():
    at_s = PLACES_S['underside']
    (first, _), (second, _) = (scanned(at_s, seed=seed, range_noise_m=0.0) for seed in (1, 2))
    ranges = [np.sqrt(sum(c.points[a].astype(float) ** 2 for a in 'xyz')) for c in (first, second)]
    both = np.isfinite(ranges[0]) & np.isfinite(ranges[1])
    moved = np.abs(ranges[0] - ranges[1])[both]
    fuzzy = moved > 0.3
    assert np.count_nonzero(fuzzy) > 100
    # All else stands still.
    leaves = [among_leaves(in_map(c.points[both][fuzzy], at_s)) for c in (first, second)]
    assert (leaves[0] | leaves[1]).mean() > 0.98


def test_what_a_scan_tells_is_what_the_place_allows():
    def sigma(time_s):
        information = scene_information(
            SITE, np.array(ROUTE.at(time_s).position), UnitScanner())
        return 1.0 / np.sqrt(np.linalg.eigvalsh(information[:3, :3]) + 1e-9), information

    along, information = sigma(PLACES_S['passage'])
    assert along[0] > 1e3 * along[1]
    # Nothing there has a normal along X.
    assert information[0, 0] == pytest.approx(0.0, abs=1e-6 * information[1, 1])
    for stretch in ('hall', 'underside', 'approach'):
        open_along, _ = sigma(PLACES_S[stretch])
        assert open_along[0] < 0.005


# The unit's drift

UNIT = replace(WALK.sensors['unit_odometry'], map_every=1)


def error_of(true, pose):
    """Return the error (6,) of a pose in ROS order."""
    turn = Rotation.from_quat(pose.quaternion) * Rotation.from_quat(true.quaternion).inv()
    return np.r_[np.subtract(pose.position, true.position), turn.as_rotvec()]


def measured(seed, times_s):
    """Return for odometry and for map pose the errors (n, 6) and covariances (n, 6, 6)."""
    sensor = UNIT.start(ROUTE, np.random.default_rng([seed, 17]))
    pairs = [[payload for _, payload in sensor.measure(t)] for t in times_s]
    errors = np.array([[error_of(ROUTE.at(t), pose) for pose in pair]
                       for t, pair in zip(times_s, pairs)])
    covariances = np.array([(o.pose_covariance, m.covariance) for o, m in pairs])
    return [(errors[:, topic], covariances[:, topic].reshape(-1, 6, 6)) for topic in (0, 1)]


def pose_errors(rig, messages):
    """Return the errors (n, 6) of the poses in messages."""
    return np.array([error_of(rig.true_motion(m.measured_ns), m.payload) for m in messages])


def unit(duration_s=300.0, rate_hz=1.0, **settings):
    settings = {'map_every': 1, **settings}
    return replace(WALK.only('unit_odometry'), duration_s=duration_s).with_sensor(
        'unit_odometry', rate_hz=rate_hz, **settings)


def test_error_grows_along_the_passage_and_not_across_it():
    (start_s, end_s), = (
        (s.from_s, s.until_s) for s in ROUTE.stretches(95.0) if s.name == 'passage')
    errors = np.array([measured(seed, (start_s, end_s))[0][0][:, :3] for seed in range(50)])
    grown = errors[:, 1] - errors[:, 0]
    along, across, up = np.sqrt(np.mean(np.square(grown), axis=0))
    # The passage runs along X. Dead reckoning loses of the order of 1 % there.
    assert 0.2 < along < 0.6
    assert along > 5.0 * across and along > 5.0 * up


def test_error_does_not_grow_faster_where_the_scene_holds_it():
    rig = Rig(unit(rate_hz=0.2))
    assert rig.truth()['sensors']['unit_odometry']['episodes'] == []
    assert len(list(rig.messages())) == 120
    opens = [e for e in rig.truth()['sensors']['unit_odometry']['episodes']
             if e['kind'] == 'left_open']
    stretches = {s['name']: s for s in rig.truth()['stretches'][:4]}
    longest = max(opens, key=lambda e: e['until_ns'] - e['from_ns'])
    assert longest['settings']['direction'] == pytest.approx([1.0, 0.0, 0.0], abs=0.01)
    # Open from within 4 m of one end of the passage to within 4 m of the other, nowhere else.
    passage = stretches['passage']
    assert 0 < (longest['from_ns'] - passage['from_ns']) / S < 6.0
    assert 0 < (passage['until_ns'] - longest['until_ns']) / S < 6.0
    inside = [s for s in rig.truth()['stretches'] if s['name'] == 'passage']
    assert all(any(s['from_ns'] <= e['from_ns'] and e['until_ns'] <= s['until_ns']
                   for s in inside) for e in opens)


def test_a_lit_passage_holds_the_unit_that_looks_and_not_the_one_that_does_not():
    lit = replace(ROUTE, site=replace(SITE, passage_light_lux=500.0))
    found = []
    for drift in (DriftSpec(), DriftSpec(visual_sigma_m=0.0, visual_sigma_rad=0.0)):
        spec = unit(drift=drift).sensors['unit_odometry']
        found.append([e.until_s - e.from_s for e in spec.episodes(lit, 90.0)
                      if e.kind == 'left_open'])
    assert found[0] == []
    assert max(found[1]) > 60.0


def test_honest_covariance_is_that_of_the_error_before_and_after_the_loop_closes():
    runs, times_s = 80, (2.0, 60.0, 93.0, 150.0, 230.0, 262.0, 270.0, 295.0)
    nees = np.zeros((2, len(times_s)))
    for seed in range(runs):
        for topic, (errors, covariances) in enumerate(measured(seed, times_s)):
            nees[topic] += np.einsum(
                'ni,nij,nj->n', errors, np.linalg.inv(covariances), errors)
    # Bar-Shalom, Li, Kirubarajan (2001), section 5.4 (number from memory): the sum over
    # independent runs is chi-square with 6 degrees of freedom a run; 16 of them, 0.1 % in all.
    low, high = chi2.ppf([0.0005 / 16, 1.0 - 0.0005 / 16], 6 * runs)
    assert np.all((low < nees) & (nees < high)), nees / runs


def test_loop_closure_takes_the_error_out_of_the_map_pose_and_leaves_the_odometry():
    closure, = (e for e in UNIT.episodes(ROUTE, 300.0) if e.kind == 'loop_closure')
    assert 260.0 < closure.from_s < ROUTE.lap_s
    times_s = (closure.from_s - 0.01, closure.from_s + 0.01)
    errors = [np.hstack([error[:, :3] for error, _ in measured(seed, times_s)])
              for seed in range(20)]
    (before, map_before), (after, map_after) = np.sqrt(
        np.mean(np.square(errors), axis=0).reshape(2, 2, 3).sum(axis=2))
    assert after == pytest.approx(before, rel=0.05) and before > 0.2
    assert map_before == pytest.approx(before, rel=0.01)
    # Closure to 1 cm on each axis.
    assert map_after < 0.03


def test_odometry_may_be_corrected_too_and_then_jumps():
    _, plain = messages_of(unit(), '/unit/odometry')
    _, corrected = messages_of(unit(corrects_odometry=True), '/unit/odometry')
    _, in_the_map = messages_of(unit(), '/unit/map_pose')
    assert (plain[0].frame, in_the_map[0].frame) == ('odom', 'map')
    assert [m.payload.position for m in corrected] == [m.payload.position for m in in_the_map]
    shift = [np.linalg.norm(np.subtract(a.payload.position, b.payload.position))
             for a, b in zip(plain, corrected)]
    assert max(shift[:260]) < 1e-9 and min(shift[-30:]) > 0.1


def test_reported_covariance_is_chosen_and_the_error_is_not_changed_by_it():
    runs = {reports: messages_of(unit(60.0, reports=reports, optimism=3.0), '/unit/odometry')[1]
            for reports in ('honest', 'zero', 'constant', 'optimistic')}
    for messages in zip(*runs.values()):
        honest, zero, constant, optimistic = (m.payload for m in messages)
        assert zero.position == constant.position == optimistic.position == honest.position
        assert optimistic.pose_covariance * 9.0 == pytest.approx(honest.pose_covariance)
        assert not zero.pose_covariance.any()
        assert np.sqrt(np.diag(constant.pose_covariance.reshape(6, 6))) == pytest.approx(
            [0.01] * 3 + [0.002] * 3)


def test_the_drift_is_drawn_from_the_seed_and_does_not_depend_on_the_rate():
    def drift(seed, rate_hz):
        rig, messages = messages_of(
            unit(40.0, rate_hz, noise_m=0.0, noise_rad=0.0), '/unit/odometry', seed)
        errors = pose_errors(rig, messages)
        times = [(m.measured_ns - rig.start_ns) / S for m in messages]
        return np.array([np.interp(20.0, times, errors[:, axis]) for axis in range(6)])

    assert np.array_equal(drift(4, 5.0), drift(4, 5.0))
    assert drift(4, 5.0) == pytest.approx(drift(4, 50.0), abs=0.002)
    assert np.abs(drift(4, 5.0) - drift(5, 5.0)).max() > 0.01


def test_twist_of_the_unit_agrees_with_its_own_pose():
    rig, messages = messages_of(
        unit(40.0, 20.0, noise_m=0.0, noise_rad=0.0, twist_noise_m_s=0.0, twist_noise_rad_s=0.0),
        '/unit/odometry')
    ends = messages[20], messages[-1]
    position = np.array(ends[0].payload.position)
    for before, after in zip(messages[20:], messages[21:]):
        dt = (after.measured_ns - before.measured_ns) / S
        steps = [Rotation.from_quat(m.payload.quaternion).apply(m.payload.linear) for m in (
            before, after)]
        position += dt * (steps[0] + steps[1]) / 2
    errors = pose_errors(rig, ends)
    # In the passage the unit believes in a speed that is wrong: twist and pose err together.
    assert np.linalg.norm(errors[1, :3] - errors[0, :3]) > 0.05
    assert position == pytest.approx(ends[1].payload.position, abs=0.01)


def test_faults_of_a_pose_strike_this_unit_as_well():
    fault = PoseJump(sensor='unit_odometry', at_s=5.0, x_m=0.3)
    _, plain = messages_of(unit(10.0), '/unit/odometry')
    _, struck = messages_of(replace(unit(10.0), faults=(fault,)), '/unit/odometry')
    shift = [b.payload.position[0] - a.payload.position[0] for a, b in zip(plain, struck)]
    assert shift == pytest.approx([0.0] * 5 + [0.3] * 5)


# The second source of motion

def test_wheels_measure_the_motion_except_where_they_slip():
    scenario = replace(WALK.only('wheels'), duration_s=130.0)
    rig, messages = messages_of(scenario, '/base/odometry')
    time_s = np.array([(m.measured_ns - rig.start_ns) / S for m in messages])
    measured = np.array([m.payload.linear[:2] + m.payload.angular[2:] for m in messages])
    states = [rig.true_motion(m.measured_ns) for m in messages]
    true = np.array([s.linear[:2] + s.angular[2:] for s in states])
    slip, = rig.truth()['sensors']['wheels']['episodes']
    slips = (time_s >= 110.0) & (time_s < 113.0)
    assert slip['kind'] == 'slip' and (slip['from_ns'] - rig.start_ns) / S == 110.0
    ratio = np.linalg.norm(measured[:, :2], axis=1) / np.linalg.norm(true[:, :2], axis=1)
    assert ratio[slips].mean() == pytest.approx(1.4, abs=0.02)
    assert ratio[~slips].mean() == pytest.approx(1.0, abs=0.015)
    assert (measured - true)[~slips].std(axis=0) == pytest.approx([0.01] * 3, rel=0.1)
    # 3 s at 0.7 m/s, 40 % too far.
    before, after = (messages[np.searchsorted(time_s, t)] for t in (110.0, 113.0))
    way = np.subtract(after.payload.position, before.payload.position)
    assert np.linalg.norm(way) == pytest.approx(1.4 * 3.0 * 0.7, rel=0.06)


# The camera

def camera(at_s, route=ROUTE, seed=1, **settings):
    """Return the picture taken at a time, as float (height, width)."""
    spec = replace(WALK.sensors['aid_camera'], **settings)
    sensor = spec.start(route, np.random.default_rng(seed))
    return sensor.measure(at_s)[1][1].pixels.astype(float)


def sharpness(picture):
    """Return the mean difference of neighbours along a row."""
    return np.abs(np.diff(picture, axis=1)).mean()


def test_pictures_blur_with_the_turn_rate_and_the_exposure():
    turns, sharp, quick = [], [], []
    for pan_rad in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2):
        route = replace(ROUTE, pan_rad=pan_rad, pan_s=4.0, glance_rad=0.0)
        # In the hall, on the straight before the turn, at the steepest of the pan.
        at_s = 96.0
        turns.append(abs(route.at(at_s).angular[2]))
        quiet = {'read_noise_electrons': 0.0}
        sharp.append(sharpness(camera(at_s, route, **quiet)))
        quick.append(sharpness(camera(at_s, route, exposure_max_s=0.001, **quiet)))
    assert turns[0] < 0.1 and turns[-1] > 1.5
    assert spearmanr(turns, sharp).statistic < -0.95
    # 1.9 rad/s for 17 ms at 240 px is 8 px.
    assert sharp[-1] < 0.5 * sharp[0]
    # 1 ms is half a pixel.
    assert quick[-1] > 0.8 * quick[0]


def test_pictures_darken_where_exposure_and_gain_do_not_reach():
    dark, lit = (camera(PLACES_S[s]) for s in ('passage', 'hall'))
    assert dark.mean() < 20.0 and 70.0 < lit.mean() < 160.0
    assert camera(PLACES_S['underside']).mean() == pytest.approx(
        camera(PLACES_S['approach']).mean(), rel=0.6)
    spec = WALK.sensors['aid_camera']
    assert spec.exposure(8000.0)[0] < 0.001 < spec.exposure(200.0)[0] < spec.exposure_max_s
    assert spec.exposure(1.5) == (spec.exposure_max_s, spec.gain_max)


def test_pictures_are_small_grey_and_drawn_from_the_seed():
    scenario = replace(WALK.only('aid_camera'), duration_s=2.0)
    first, again, other = (
        [m.payload.pixels for m in messages_of(scenario, '/aid/image_raw', seed)[1]]
        for seed in (1, 1, 2))
    assert len(first) == 20 and first[0].shape == (240, 320) and first[0].dtype == np.uint8
    assert all(np.array_equal(a, b) for a, b in zip(first, again))
    assert not any(np.array_equal(a, b) for a, b in zip(first, other))
    assert first[0].std() > 15.0


def test_the_heading_may_pass_half_a_turn_without_a_blur():
    # Below the deck the robot walks along -X, where the heading jumps by a whole turn.
    yaw = np.array([ROUTE.at(t).yaw for t in np.arange(170.0, 200.0, 0.01)])
    passes = 170.0 + 0.01 * np.flatnonzero(np.abs(np.diff(yaw)) > 3.0)
    assert len(passes) > 2
    at, aside = (sharpness(camera(passes[0] + 0.005 + later_s)) for later_s in (0.0, 0.2))
    assert at == pytest.approx(aside, rel=0.1)


# The scenario and its truth

def test_the_bag_and_its_truth_file_hold_the_run(tmp_path):
    scenario = replace(WALK, duration_s=3.0)
    truth = write_bag(scenario, tmp_path / 'bag', truth_file=tmp_path / 'truth.json')
    assert json.loads((tmp_path / 'truth.json').read_text()) == truth
    rig = Rig(scenario)
    for time_ns, position, quaternion in zip(*truth['path'].values()):
        true = rig.true_motion(time_ns)
        assert tuple(position) == true.position and tuple(quaternion) == true.quaternion
    assert len(truth['path']['time_ns']) == 61
    messages = list(rig.messages())
    with AnyReader([tmp_path / 'bag']) as reader:
        read = [(c.topic, reader.deserialize(data, c.msgtype))
                for c, _, data in reader.messages()]
    assert [topic for topic, _ in read] == [m.topic for m in messages]
    poses = [(got, m) for (_, got), m in zip(read, messages) if m.topic == '/unit/map_pose']
    assert len(poses) == 30
    for got, m in poses:
        assert got.header.frame_id == 'map'
        assert np.array_equal(got.pose.covariance, m.payload.covariance)
        assert got.pose.pose.position.x == m.payload.position[0]
    cloud = next(got for topic, got in read if topic == '/roof/points')
    assert not cloud.is_dense and cloud.height == 16


def test_a_five_minute_run_can_be_taken_alone_and_is_the_same_among_others():
    scenario = replace(WALK, duration_s=2.0)
    alone = [m.payload.position for m in messages_of(
        scenario.only('unit_odometry'), '/unit/odometry')[1]]
    together = [m.payload.position for m in messages_of(
        scenario, '/unit/odometry', pictures=False)[1]]
    assert alone == together and len(alone) == 200


BODY = """
name: test
duration_s: 10.0
route: {}
sensors:
  unit: {kind: lidar_odometry, topic: /odom, rate_hz: 5.0, frame: odom, child_frame: body}
  scan: {kind: scanner, topic: /scan, rate_hz: 5.0, frame: body}
  wheels: {kind: wheel_odometry, topic: /wheels, rate_hz: 5.0, frame: w, child_frame: base}
  eye: {kind: shutter_camera, topic: /eye, info_topic: /info, rate_hz: 5.0, frame: eye}
"""


@pytest.mark.parametrize('old, new, message', [
    ('route: {}', '', "sensors.unit.kind: found 'lidar_odometry', expected another kind, or a ro"),
    ('route: {}', 'route: {}\nwalk: {}', 'walk, route: found both, expected at most one of the t'),
    ('route: {}', 'route: {speed_m_s: 9}', 'route.speed_m_s: found 9.0, expected 0.1 to 3'),
    ('route: {}', 'route: {site: {passage_width_m: 1}}',
     'route.site.passage_width_m: found 1.0, expected 2 to 6'),
    ('route: {}', 'route: {site: {hall: 1}}',
     'route.site.hall: unknown key, expected one of passage_length_m, '),
    ('child_frame: body', 'child_frame: body, reports: kind',
     "sensors.unit.reports: found 'kind', expected one of honest, zero, constant, optimistic"),
    ('child_frame: body', 'child_frame: body, optimism: 0',
     'sensors.unit.optimism: found 0.0, expected a number above 0'),
    ('child_frame: body', 'child_frame: body, map_topic: /odom',
     "sensors.unit.map_topic: found '/odom', expected another than topic"),
    ('child_frame: body', 'child_frame: body, map_topic: /scan',
     "sensors.scan: found topic '/scan', expected one that sensors.unit does not use"),
    ('child_frame: body', 'child_frame: body, drift: {speed_error: -1}',
     'sensors.unit.drift.speed_error: found -1.0, expected a number above 0'),
    ('child_frame: body', 'child_frame: body, drift: {visual_sigma_rad: 0}',
     'sensors.unit.drift.visual_sigma_rad: found 0.0, expected a number above 0'),
    ('/scan, ', '/scan, rings: 1, ', 'sensors.scan.rings: found 1, expected 2 to 256'),
    ('/scan, ', '/scan, revolution_s: 0.3, ',
     'sensors.scan.revolution_s: found 0.3, expected 0 to 0.2'),
    ('kind: scanner', 'kind: lidar', "sensors.scan.kind: found 'lidar', expected scanner for a "),
    ('child_frame: base', 'child_frame: base, slip_length_s: 5, slip_every_s: 4',
     'sensors.wheels.slip_every_s: found 4.0, expected a number above 5'),
    ('/eye, ', '/eye, exposure_max_s: 0.5, ',
     'sensors.eye.exposure_max_s: found 0.5, expected 0 to 0.2'),
])
def test_bad_walks_are_refused_in_words(old, new, message):
    assert BODY.count(old) == 1
    with pytest.raises(ScenarioError) as refused:
        scenario_from_yaml(BODY.replace(old, new))
    assert str(refused.value).startswith(message)


def test_the_unspoilt_text_is_accepted():
    assert list(scenario_from_yaml(BODY).sensors) == ['unit', 'scan', 'wheels', 'eye']


def test_the_rig_imports_nothing_of_the_package_but_itself():
    folder = Path(__file__).resolve().parents[1] / 'robot_mapping_qa' / 'rig'
    files = sorted(folder.glob('*.py'))
    foreign = []
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding='utf-8'))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else (
                [node.module or ''] if isinstance(node, ast.ImportFrom) else [])
            foreign += [(file.name, name) for name in names if name.startswith('robot_mapping_qa')
                        and not name.startswith('robot_mapping_qa.rig')]
    assert len(files) > 20
    assert foreign == []
