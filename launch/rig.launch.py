# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Start the simulated inspection robot."""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument, OpaqueFunction
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue

ARGUMENTS = (
    ('scenario', 'demo', str, 'Scenario by name or file.'),
    ('seed', '', int, "Seed of everything that is random; empty for the scenario's own."),
)


def rig(context):
    """Return the node with the parameters that are given."""
    return [Node(
        package='robot_mapping_qa', executable='rig', name='rig', output='screen',
        parameters=[{
            name: ParameterValue(LaunchConfiguration(name), value_type=kind)
            for name, _, kind, _ in ARGUMENTS if LaunchConfiguration(name).perform(context)}])]


def generate_launch_description():
    """Return the description with its arguments."""
    return LaunchDescription([
        *(DeclareLaunchArgument(name, default_value=default, description=text)
          for name, default, _, text in ARGUMENTS),
        OpaqueFunction(function=rig)])
