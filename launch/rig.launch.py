# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Start the simulated inspection robot."""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue


def generate_launch_description():
    """Return the description with its arguments."""
    return LaunchDescription([
        DeclareLaunchArgument('scenario', default_value='demo',
                              description='Scenario by name or file.'),
        DeclareLaunchArgument('seed', default_value='1',
                              description='Seed of everything that is random.'),
        Node(package='robot_mapping_qa', executable='rig', name='rig', output='screen',
             parameters=[{
                 'scenario': ParameterValue(LaunchConfiguration('scenario'), value_type=str),
                 'seed': ParameterValue(LaunchConfiguration('seed'), value_type=int)}])])
