# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Checking parameters key by key: nothing unknown, nothing impossible, nothing assumed."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
import difflib
import math
import re
from typing import Any, Callable, Iterable, Mapping

from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.configuration.model import (
    CAMERA_INFO, Configuration, REQUIRED_ROLES, ROLE_TYPES, Stream)
from robot_mapping_qa.configuration.problems import ConfigurationError, shown
from robot_mapping_qa.host.time_server_client import parse_address
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.motion_limits import MotionLimits
from robot_mapping_qa.pose.trust_limits import TrustLimits
from robot_mapping_qa.settings import settings_of
from robot_mapping_qa.timing.limits import TimingLimits

_NAME = re.compile(r'[a-z][a-z0-9_]*')

TOPIC_NAME = re.compile(r'/?[A-Za-z_][A-Za-z0-9_]*(/[A-Za-z_][A-Za-z0-9_]*)*')
TYPE_NAME = re.compile(r'[a-z][a-z0-9_]*/msg/[A-Z][A-Za-z0-9]*')

_LIKENESS = 0.7
"""Ratio of difflib from which a known name is offered: rate is still taken for rate_hz."""


class _Refused(ValueError):
    """What was expected, for the caller to put behind the key's name and the found value."""


def _matching(pattern: re.Pattern, expected: str) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if not isinstance(value, str) or not pattern.fullmatch(value):
            raise _Refused(expected)
        return value
    return check


def _one_of(choices: Iterable[str]) -> Callable[[Any], str]:
    names = tuple(choices)

    def check(value: Any) -> str:
        if value not in names:
            raise _Refused('one of ' + ', '.join(names))
        return value
    return check


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise _Refused('true or false')
    return value


@dataclass(frozen=True, slots=True)
class Range:
    """Which numbers are accepted: from ``low``, or above it where ``open_low``, to ``high``."""

    low: float
    high: float
    unit: str = ''
    open_low: bool = False

    def has(self, value: Any) -> bool:
        """Return whether a value is a number (not NaN) of the range."""
        # To Python a truth value is also a whole number. Compared as it is: an int may be too
        # large for a float.
        return isinstance(value, (int, float)) and not isinstance(value, bool) and (
            self.low <= value <= self.high and not (self.open_low and value == self.low))

    def __str__(self) -> str:
        """Return what is expected, such as 'a number above 0 m to 100 m'."""
        unit = f' {self.unit}' if self.unit else ''
        lower = 'above' if self.open_low else 'from'
        return f'a number {lower} {self.low:g}{unit} to {self.high:g}{unit}'


POINT_ERROR_LIMIT = Range(0.0, 100.0, 'm', open_low=True)
"""Of the parameter point_error_limit_m, in the file as while the gate runs."""


def _number(accepted: Range) -> Callable[[Any], float]:
    def check(value: Any) -> float:
        if not accepted.has(value):
            raise _Refused(str(accepted))
        return float(value)
    return check


def _triple(limit: float, unit: str) -> Callable[[Any], tuple[float, float, float]]:
    one = _number(Range(-limit, limit, unit))

    def check(value: Any) -> tuple[float, float, float]:
        if isinstance(value, (str, dict)) or not hasattr(value, '__len__') or len(value) != 3:
            raise _Refused(f'three numbers in {unit}')
        x, y, z = map(one, value)
        return x, y, z
    return check


def _server(value: Any) -> str:
    try:
        parse_address(value if isinstance(value, str) else '')
    except ValueError:
        raise _Refused('host:port, such as unit.local:123 or [fd00::2]:123') from None
    return value


@dataclass(frozen=True, slots=True)
class _Key:
    check: Callable[[Any], Any]
    text: str
    needed: bool = False
    range: Range | None = None


def _number_key(accepted: Range, text: str) -> _Key:
    return _Key(_number(accepted), text, range=accepted)


STREAM_KEYS: Mapping[str, _Key] = {
    'topic': _Key(_matching(TOPIC_NAME, 'a topic name such as /front/image_raw'),
                  'The topic to watch.', needed=True),
    'type': _Key(_matching(TYPE_NAME, 'a message type such as sensor_msgs/msg/Image'),
                 'Its message type.', needed=True),
    'role': _Key(_one_of(ROLE_TYPES), 'What the stream is for.', needed=True),
    'rate_hz': _number_key(Range(0.0, 100000.0, 'Hz', open_low=True),
                           'Nominal rate; learned from the stamps where it is not given.'),
    'timing_topic': _Key(_matching(TOPIC_NAME, 'a topic name such as /front/camera_info'),
                         'A light topic with the same stamps, to time a heavy one by.'),
    'timing_type': _Key(_matching(TYPE_NAME, f'a message type such as {CAMERA_INFO}'),
                        f'Message type of timing_topic; {CAMERA_INFO} where it is not given.'),
    'aids_unit': _Key(_flag, 'Whether the unit localizes with this camera.'),
    'required': _Key(_flag, 'Whether its loss closes the gate; so for the roles '
                            + ', '.join(REQUIRED_ROLES) + ' where it is not given.'),
    'useful': _Key(_flag, 'Whether its loss closes the gate only where it lasts for '
                          'gate.useful_delay_s; it is then not required.'),
    'delay_limit_s': _number_key(
        Range(0.0, 60.0, 's', open_low=True),
        'Delay limit of this stream, in place of timing.delay_limit_s.'),
    'silence_s': _number_key(Range(0.0, 600.0, 's', open_low=True),
                             'Silence limit of this stream, in place of timing.silence_s.'),
    'mount_xyz_m': _Key(_triple(100.0, 'm'), "Its place in the unit's frame."),
    'mount_rpy_rad': _Key(_triple(2 * math.pi, 'rad'),
                          "Its rotation in the unit's frame: roll, pitch, yaw."),
    'mount_sigma_m': _number_key(
        Range(0.0, 10.0, 'm'), 'Standard deviation of its place, per axis.'),
    'mount_sigma_rad': _number_key(
        Range(0.0, math.pi, 'rad'), 'Standard deviation of its rotation, per axis.'),
    'clock_sigma_s': _number_key(
        Range(0.0, 1.0, 's'), 'Standard deviation of the constant offset of its stamps against '
                              'those of the unit; for the role capture only.'),
    'time_server': _Key(_server, "The unit's NTP server, host:port; pose stream only."),
}

TOP_KEYS: Mapping[str, _Key] = {
    'working_distance_m': _number_key(
        Range(0.0, 1000.0, 'm', open_low=True),
        'Distance from the camera to the structure, where no stream with the role distance '
        'measures it.'),
    'point_error_limit_m': _number_key(
        POINT_ERROR_LIMIT, 'Largest 95 % error of a point on the structure.'),
    'check_cameras': _Key(_flag, 'Whether to look at samples of the pictures of `aid` and '
                                 '`capture` cameras, and at motion that needs a camera.'),
}

GROUPS = {'timing': TimingLimits, 'pose': PoseLimits, 'trust': TrustLimits,
          'degradation': DegradationLimits, 'geometry': GeometryLimits, 'image': ImageLimits,
          'motion': MotionLimits, 'gate': GateLimits}
"""Groups of thresholds, each with the dataclass whose fields are its keys."""

NODE_PARAMETERS = ('use_sim_time', 'start_type_description_service', 'qos_overrides')
"""Parameters that ROS 2 itself gives every node."""


def is_threshold_name(name: str) -> bool:
    """Return whether a dotted name is a threshold, which a profile may set."""
    return name in TOP_KEYS or name.partition('.')[0] in GROUPS


def is_known_threshold(name: str) -> bool:
    """Return whether there is a threshold of that name."""
    group, _, key = name.partition('.')
    return name in TOP_KEYS or (
        group in GROUPS and key in {item.name for item in fields(GROUPS[group])})


@dataclass
class _Report:
    problems: list[str] = field(default_factory=list)

    def refuse(self, name: str, value: Any, expected: str) -> None:
        self.problems.append(f'{name}: found {shown(value)}, expected {expected}')

    def checked(self, name: str, key: _Key, value: Any, into: dict, field_name: str) -> None:
        try:
            into[field_name] = key.check(value)
        except _Refused as refusal:
            self.refuse(name, value, str(refusal))

    def unknown(self, name: str, problem: str, word: str, known: Iterable[str]) -> None:
        """Add a problem of ``name`` with the known word that is nearest to ``word``."""
        near = difflib.get_close_matches(word, list(known), 1, _LIKENESS)
        hint = f'; did you mean {near[0]}?' if near else ''
        self.problems.append(f'{name}: {problem}{hint}')


def configuration_from_parameters(
        parameters: Mapping[str, Any], origin: str = 'parameters',
        also_known: Iterable[str] = ()) -> Configuration:
    """
    Turn dotted ROS 2 parameters into a `Configuration`.

    ``also_known`` names a node's own parameters, which are not the configuration's business.
    Raises `ConfigurationError` that names every key that is unknown, missing or impossible.
    """
    report = _Report()
    also_known = set(also_known)
    if 'use_sim_time' in parameters:
        report.checked('use_sim_time', _Key(_flag, ''), parameters['use_sim_time'], {}, '')
    rest = {name: value for name, value in parameters.items()
            if name not in also_known and name.partition('.')[0] not in NODE_PARAMETERS}
    names = _stream_names(rest.pop('streams', None), report)
    values: dict[str, Any] = {}
    for name, key in TOP_KEYS.items():
        if name in rest:
            report.checked(name, key, rest.pop(name), values, name)
    for group, limits in GROUPS.items():
        values[group] = _limits(group, limits, rest, report)
    streams = [_stream(name, rest, report) for name in names]
    _refuse_unknown(rest, names, also_known, report)
    found = [stream for stream in streams if stream is not None]
    if names and len(found) == len(names):
        _check_together(found, report)
    if report.problems:
        raise ConfigurationError(report.problems, origin)
    return Configuration(streams=tuple(found), **values)


def _refuse_unknown(rest: Mapping[str, Any], streams: list[str], also_known: Iterable[str],
                    report: _Report) -> None:
    """
    Report what is left over: one line a key, or one a group that no stream goes by.

    Without any stream every group would be left over: that there is none has been said.
    """
    known = ['streams', *TOP_KEYS, *also_known]
    for group, limits in GROUPS.items():
        known += [f'{group}.{item.name}' for item in settings_of(limits)]
    strangers: dict[str, list[str]] = {}
    for name in rest:
        head, dot, key = name.partition('.')
        if dot and head not in GROUPS and streams:
            strangers.setdefault(head, []).append(key)
        elif streams or not dot:
            report.unknown(name, 'unknown key', name, known)
    for head, keys in strangers.items():
        report.unknown(head, f"a group ({', '.join(keys)}) that is not listed in 'streams'",
                       head, [*streams, *GROUPS])


def _stream_names(value: Any, report: _Report) -> list[str]:
    if value is None or isinstance(value, (str, dict)) or not hasattr(value, '__iter__'):
        report.refuse('streams', value, 'a list of stream names')
        return []
    names: list[str] = []
    for name in value:
        if not isinstance(name, str) or not _NAME.fullmatch(name):
            report.refuse('streams', name, 'names of small letters, digits and underscores')
        elif name in GROUPS or name in TOP_KEYS or name in NODE_PARAMETERS:
            report.problems.append(f'streams: the name {name} is taken by a group of settings')
        elif name in names:
            report.problems.append(f'streams: {name} is listed twice')
        else:
            names.append(name)
    if not names and not report.problems:
        report.refuse('streams', [], 'at least the stream with the role pose')
    return names


def _limits(group: str, limits: type, rest: dict, report: _Report) -> Any:
    values: dict[str, Any] = {}
    for item in settings_of(limits):
        name = f'{group}.{item.name}'
        if name in rest:
            key = _number_key(Range(item.metadata['low'], item.metadata['high']), '')
            report.checked(name, key, rest.pop(name), values, item.name)
    return limits(**values)


def _stream(name: str, rest: dict, report: _Report) -> Stream | None:
    problems_before = len(report.problems)
    values: dict[str, Any] = {}
    if not any(item.startswith(f'{name}.') for item in rest):
        groups = {item.partition('.')[0] for item in rest if '.' in item}
        report.unknown(name, "listed in 'streams', but there is no group of this name", name,
                       sorted(groups))
        return None
    for key_name in [item for item in rest if item.startswith(f'{name}.')]:
        short = key_name[len(name) + 1:]
        value = rest.pop(key_name)
        if short in STREAM_KEYS:
            report.checked(key_name, STREAM_KEYS[short], value, values, short)
        else:
            report.unknown(key_name, 'unknown key of a stream', short, STREAM_KEYS)
    for short, key in STREAM_KEYS.items():
        if key.needed and short not in values and not any(
                problem.startswith(f'{name}.{short}:') for problem in report.problems):
            report.problems.append(f'{name}.{short}: missing; every stream needs it')
    if len(report.problems) > problems_before:
        return None
    useful = values.get('useful', False)
    if useful and (values.get('required') or values['role'] == 'pose'):
        why = 'nothing works without the pose' if values['role'] == 'pose' else \
            'the stream is required, which is more'
        report.problems.append(f'{name}.useful: found true, expected false: {why}')
        return None
    values.setdefault('required', values['role'] in REQUIRED_ROLES and not useful)
    return Stream(name=name, **values)


def _check_together(streams: list[Stream], report: _Report) -> None:
    """Check what a single key cannot show: roles, types, and topics taken twice."""
    poses = [stream.name for stream in streams if stream.role == 'pose']
    if len(poses) != 1:
        found = ', '.join(poses) if poses else 'none'
        report.problems.append(
            f'streams: found {len(poses)} streams with the role pose ({found}), expected exactly '
            'one: the mapping unit')
    finders = [stream.name for stream in streams if stream.role == 'distance']
    if len(finders) > 1:
        report.problems.append(
            f'streams: found {len(finders)} streams with the role distance '
            f'({", ".join(finders)}), expected one at most: the distance to the structure')
    taken: dict[str, str] = {}
    for stream in streams:
        types = ROLE_TYPES[stream.role]
        if types is not None and stream.type not in types:
            report.refuse(f'{stream.name}.type', stream.type,
                          f'{" or ".join(types)} for the role {stream.role}')
        if stream.timing_type != CAMERA_INFO and stream.timing_topic is None:
            report.problems.append(f'{stream.name}.timing_type: given without timing_topic')
        if stream.timing_topic is not None and stream.role == 'pose':
            report.problems.append(
                f'{stream.name}.timing_topic: the pose stream is read whole, it needs none')
        if stream.time_server is not None and stream.role != 'pose':
            report.problems.append(
                f'{stream.name}.time_server: only the pose stream (the unit) may have one')
        if stream.clock_sigma_s and stream.role != 'capture':
            report.problems.append(
                f'{stream.name}.clock_sigma_s: only a capture stream may have one')
        other = taken.setdefault(stream.watched_topic, stream.name)
        if other != stream.name:
            report.problems.append(
                f'{stream.name}: watches {stream.watched_topic}, which {other} watches already')
