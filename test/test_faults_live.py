# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Faults injected by the rig, found by the nodes: separate processes over real DDS, five runs.

The bag that each run records is assessed afterwards and must show the same holds.
"""

import json

import pytest
from robot_mapping_qa.bag.assess_bag import main as assess_bag
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.demo.judging import judge_faults, unexplained_holds
from robot_mapping_qa.demo.run import first_opening_ns, hold_differences, LiveRun
from robot_mapping_qa.resources import share_file
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

FAULTS = [
    {'kind': 'clock_step', 'sensor': 'front_camera', 'at_s': 7.0, 'until_s': 8.5,
     'size_s': 0.080},
    {'kind': 'covariance_blowup', 'sensor': 'unit_odometry', 'at_s': 12.5, 'until_s': 14.0,
     'sigma_m': 0.15},
    {'kind': 'silence', 'sensor': 'unit_odometry', 'at_s': 18.0, 'until_s': 19.5},
    {'kind': 'pose_jump', 'sensor': 'unit_odometry', 'at_s': 23.5, 'x_m': 0.24, 'y_m': 0.32},
    {'kind': 'delay_rise', 'sensor': 'roof_lidar', 'at_s': 28.5, 'until_s': 30.0, 'to_s': 0.300},
]


LONG = pytest.mark.long


@pytest.mark.parametrize('seed', [1, *(pytest.param(seed, marks=LONG) for seed in (2, 3, 4, 5))])
def test_every_fault_closes_the_gate_in_time_and_nothing_else_does(seed, tmp_path):
    scenario = yaml.safe_load(share_file_of_rig('demo.yaml').read_text())
    # A step back takes its turn: the camera is late by it, not early.
    faults = [{**fault, 'size_s': -0.080} if fault['kind'] == 'clock_step' and seed % 2 else fault
              for fault in FAULTS]
    scenario.update(duration_s=35.0, faults=faults)
    scenario_file = tmp_path / 'scenario.yaml'
    scenario_file.write_text(yaml.safe_dump(scenario))
    out = tmp_path / 'out'
    (out / 'logs').mkdir(parents=True)
    configuration = share_file('config/demo_streams.yaml')
    off_delay_s = load_configuration(configuration).gate.off_delay_s

    live = LiveRun(out, str(scenario_file), seed, configuration, print)
    live.run(domain=100 + seed)

    outcomes = judge_faults(live.truth['faults'], live.holds, off_delay_s)
    assert [o.kind for o in outcomes] == [fault['kind'] for fault in FAULTS]
    assert {o.kind: o.problem for o in outcomes if o.problem} == {}
    settled_ns = first_opening_ns(live.holds)
    assert unexplained_holds(
        live.truth['faults'], live.holds, settled_ns, live.end_ns) == []

    assert assess_bag([str(out / 'bag'), '--config', str(configuration),
                       '--out', str(out / 'assessment')]) == 0
    summary = json.loads((out / 'assessment' / 'summary.json').read_text())
    assert len(live.holds) > len(FAULTS)
    assert hold_differences(
        live.holds, summary['gate']['holds'], live.end_ns) == []


def share_file_of_rig(name):
    """Return a packaged scenario."""
    from robot_mapping_qa import rig
    from pathlib import Path
    return Path(rig.__file__).parent / 'scenarios' / name
