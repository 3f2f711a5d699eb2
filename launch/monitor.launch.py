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
from robot_mapping_qa.resources import share_file

ARGUMENTS = (
    ('streams', None, 'Parameter file that names the streams; start from config/streams.yaml.'),
    ('profile', '', 'Profile of thresholds: a name from config/profiles or a file.'),
    ('composed', 'false', 'Run both monitors and the gate in one process: less memory and CPU.'),
    ('relay', 'false', 'Pass pictures on to TOPIC/inspection while the gate is open.'),
    ('record', '', 'Folder of the bag to record, not there yet; empty for none.'),
    ('ledger', '', 'Folder of the ledger of captures; empty for none.'),
    ('page', 'false', 'Serve a page for a tablet, by the settings of /**/site_page in the file.'),
    ('page_port', '', 'Port of the page; empty for that of the file, else 8642.'),
    ('respawn', 'false', 'Start a node again two seconds after it has died.'),
    ('namespace', '', 'Namespace of the robot, for several robots on one network.'),
    ('use_sim_time', 'false', 'Take the time from /clock.'),
    ('log_level', 'info', 'How much the nodes say.'),
)
CHOICES = {
    **dict.fromkeys(('composed', 'page', 'relay', 'respawn', 'use_sim_time'), ['true', 'false']),
    'log_level': ['debug', 'info', 'warn', 'error', 'fatal']}


def page_port(text):
    """Return the number of a port; ConfigurationError where it is none."""
    if not text.isdecimal() or int(text) > 65535:
        raise ConfigurationError(
            [f"page_port: found '{text}', expected a whole number from 0 to 65535"], 'arguments')
    return int(text)


def nodes(context):
    """Return the nodes for the arguments given; refuse a wrong file before any starts."""
    given = {name: LaunchConfiguration(name).perform(context) for name, _, _ in ARGUMENTS}
    files = [str(Path(given['streams']).expanduser())]
    try:
        if given['profile']:
            files.append(str(profile_file(given['profile'])))
        configuration = load_configuration(*files)
        for name in ('record', 'ledger'):
            if given[name]:
                given[name] = str(Path(given[name]).expanduser())
        if given['record'] and Path(given['record']).exists():
            raise FileExistsError(f'record: {given["record"]} exists already')
        port = {'port': page_port(given['page_port'])} if given['page_port'] else {}
    except (ConfigurationError, OSError) as error:
        # A cause chain would be printed above the one line that the user needs.
        raise RuntimeError(str(error)) from None
    if given['record']:
        files.append(str(share_file('config/recorded.yaml')))
    robot = f'/{given["namespace"].strip("/")}'.rstrip('/')

    def node(name, respawn=given['respawn'] == 'true', **own):
        return Node(
            package='robot_mapping_qa', executable=name, output='screen',
            namespace=given['namespace'],
            # With its name, what is given here goes before the file's section for the node. It
            # would become that of all nodes of the composed process, which takes nothing here.
            name=name if own else None,
            parameters=[*files, {'use_sim_time': given['use_sim_time'] == 'true', **own}],
            respawn=respawn, respawn_delay=2.0,
            # The enclave says nothing unless ROS_SECURITY_ENABLE is true.
            arguments=['--ros-args', '--log-level', given['log_level'],
                       '--enclave', f'{robot}/mapping_qa/{name}'])
    started = [node(name) for name in (
        ['monitor'] if given['composed'] == 'true' else
        ['sync_monitor', 'pose_monitor', 'capture_gate'])]
    if configuration.check_cameras:
        started.append(node('camera_monitor'))
    if given['relay'] == 'true':
        started.append(node('capture_relay'))
    if given['record']:
        # Never again into the same folder: a second recorder would refuse it.
        started.append(node('quality_log', respawn=False, bag=given['record'],
                            pictures=configuration.check_cameras))
    if given['ledger']:
        started.append(node('capture_ledger', folder=given['ledger']))
    if given['page'] == 'true':
        started.append(node('site_page', **port))
    return started


def generate_launch_description():
    """Return the description with its arguments."""
    return LaunchDescription([
        *(DeclareLaunchArgument(name, default_value=default, description=text,
                                choices=CHOICES.get(name))
          for name, default, text in ARGUMENTS),
        OpaqueFunction(function=nodes)])
