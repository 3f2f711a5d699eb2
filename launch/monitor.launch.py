# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Start the monitors and the gate on a robot, and the recorder where it is asked for."""

from pathlib import Path

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument, OpaqueFunction
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from robot_mapping_qa.configuration import ConfigurationError, load_configuration
from robot_mapping_qa.configuration.profiles import profile_file

ARGUMENTS = (
    ('streams', None, 'Parameter file that names the streams; start from config/streams.yaml.'),
    ('profile', '', 'Profile of thresholds: a name from config/profiles or a file.'),
    ('relay', 'false', 'Pass pictures on to TOPIC/inspection while the gate is open.'),
    ('record', '', 'Folder of the bag to record; empty for none.'),
    ('namespace', '', 'Namespace of the robot, for several robots on one network.'),
    ('use_sim_time', 'false', 'Take the time from /clock.'),
    ('log_level', 'info', 'debug, info, warn, error or fatal.'),
)


def nodes(context):
    """Return the nodes for the arguments given; refuse a wrong file before any starts."""
    given = {name: LaunchConfiguration(name).perform(context) for name, _, _ in ARGUMENTS}
    files = [str(Path(given['streams']).expanduser())]
    try:
        if given['profile']:
            files.append(str(profile_file(given['profile'])))
        load_configuration(*files)
    except (ConfigurationError, FileNotFoundError) as error:
        # A cause chain would be printed above the one line that the user needs.
        raise RuntimeError(str(error)) from None
    common = {
        'package': 'robot_mapping_qa', 'namespace': given['namespace'], 'output': 'screen',
        'arguments': ['--ros-args', '--log-level', given['log_level']]}
    parameters = [*files, {'use_sim_time': given['use_sim_time'] == 'true'}]
    started = [
        Node(executable=name, name=name, parameters=parameters, **common)
        for name in ('sync_monitor', 'pose_monitor', 'capture_gate')]
    if given['relay'] == 'true':
        started.append(Node(executable='capture_relay', name='capture_relay',
                            parameters=parameters, **common))
    if given['record']:
        started.append(Node(executable='quality_log', name='quality_log',
                            parameters=[*parameters, {'bag': given['record']}], **common))
    return started


def generate_launch_description():
    """Return the description with its arguments."""
    return LaunchDescription([
        *(DeclareLaunchArgument(name, description=text) if default is None else
          DeclareLaunchArgument(name, default_value=default, description=text)
          for name, default, text in ARGUMENTS),
        OpaqueFunction(function=nodes)])
