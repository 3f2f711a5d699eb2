# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Play a bag and judge it as if it were live, in the bag's own time; end with the bag."""

from pathlib import Path
import shutil

from launch import LaunchDescription
from launch.actions import (
    DeclareLaunchArgument, EmitEvent, ExecuteProcess, IncludeLaunchDescription, OpaqueFunction,
    RegisterEventHandler)
from launch.event_handlers import OnProcessExit
from launch.events import Shutdown
from launch.launch_description_sources import PythonLaunchDescriptionSource
from launch.substitutions import LaunchConfiguration
from robot_mapping_qa.configuration import ConfigurationError, load_configuration
from robot_mapping_qa.resources import share_file

ARGUMENTS = (
    ('bag', None, 'Bag to play: a folder or file that `ros2 bag play` reads.'),
    ('streams', None, 'Parameter file that names the streams; start from config/streams.yaml.'),
    ('profile', '', 'Profile of thresholds: a name from config/profiles or a file.'),
    ('composed', 'false', 'Run both monitors and the gate in one process.'),
    ('relay', 'false', 'Pass pictures on to TOPIC/inspection while the gate is open.'),
    ('namespace', '', 'Namespace of the robot in the bag, if it has one.'),
    ('rate', '1.0', 'How many times faster than recorded to play.'),
    ('log_level', 'info', 'How much the nodes say: debug, info, warn, error or fatal.'),
)
FOR_MONITORS = ('streams', 'profile', 'composed', 'relay', 'namespace', 'log_level')

CLOCK_HZ = '100'
"""Between messages; each message is preceded by its own time, from which its delay follows."""

WAIT_S = '3.0'
"""For the monitors to be there before the first message."""


def player(context):
    """Return the player for the arguments given; refuse what cannot be played."""
    given = {name: LaunchConfiguration(name).perform(context) for name, _, _ in ARGUMENTS}
    bag = Path(given['bag']).expanduser()
    try:
        streams = load_configuration(Path(given['streams']).expanduser()).streams
        rate = float(given['rate'])
    except ConfigurationError as error:
        # A cause chain would be printed above the one line that the user needs.
        raise RuntimeError(str(error)) from None
    except ValueError:
        rate = 0.0
    if not 0.0 < rate <= 100.0:
        raise RuntimeError(f"rate: found '{given['rate']}', expected a number above 0 to 100")
    if not bag.exists():
        raise RuntimeError(f'{bag}: there is no such bag')
    if shutil.which('ros2') is None:
        raise RuntimeError('ros2 is not on the path: ros2bag plays the bag')
    # Only the streams: a gate that was recorded would be a second one.
    # By their full names, as the bag has them: the player is in no namespace.
    robot = f'/{given["namespace"].strip("/")}'.rstrip('/')
    topics = dict.fromkeys(
        topic if topic.startswith('/') else f'{robot}/{topic}'
        for stream in streams for topic in (stream.watched_topic, stream.topic))
    play = ExecuteProcess(
        cmd=['ros2', 'bag', 'play', str(bag), '--clock', CLOCK_HZ, '--clock-topics-all',
             '--delay', WAIT_S, '--rate', given['rate'], '--disable-keyboard-controls',
             '--topics', *topics],
        output='screen')
    return [play, RegisterEventHandler(OnProcessExit(
        target_action=play, on_exit=[EmitEvent(event=Shutdown(reason='the bag has ended'))]))]


def generate_launch_description():
    """Return the description with its arguments."""
    return LaunchDescription([
        *(DeclareLaunchArgument(name, default_value=default, description=text)
          for name, default, text in ARGUMENTS),
        OpaqueFunction(function=player),
        IncludeLaunchDescription(
            PythonLaunchDescriptionSource(str(share_file('launch/monitor.launch.py'))),
            launch_arguments={
                'use_sim_time': 'true',
                **{name: LaunchConfiguration(name) for name in FOR_MONITORS}}.items())])
