# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A simulated inspection robot with known truth, for the demo and the tests.

It shares nothing with the estimators: a simulator that shares their assumptions proves nothing.
"""

from robot_mapping_qa.rig.checks import ScenarioError
from robot_mapping_qa.rig.clock import Clock, ClockSpec
from robot_mapping_qa.rig.delay import DelaySpec
from robot_mapping_qa.rig.records import Message
from robot_mapping_qa.rig.scenario import (
    load_scenario, packaged_scenarios, Scenario, scenario_from_yaml)
from robot_mapping_qa.rig.simulation import DEFAULT_START_NS, Rig

__all__ = [
    'Clock', 'ClockSpec', 'DEFAULT_START_NS', 'DelaySpec', 'load_scenario', 'Message',
    'packaged_scenarios', 'Rig', 'Scenario', 'scenario_from_yaml', 'ScenarioError']
