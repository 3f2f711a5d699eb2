# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A simulated inspection robot with known truth, for the demo and the tests.

It shares no code with the estimators. One assumption it does share: its mapping unit drifts by the
model of the error that the degradation estimate has, so that runs of it do not show that real
units err so.
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
