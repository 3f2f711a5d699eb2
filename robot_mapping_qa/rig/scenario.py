# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A scenario: which sensors there are, how the robot walks, what goes wrong and when.

Written in Python from the dataclasses, or read from a YAML file of the same shape.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, MISSING, replace
from importlib import resources
import math
from pathlib import Path
import types
from typing import Any, get_args, get_origin, get_type_hints, Union

from robot_mapping_qa.rig.camera import CameraSpec
from robot_mapping_qa.rig.checks import above, at_least, ScenarioError
from robot_mapping_qa.rig.faults import Fault, FAULTS
from robot_mapping_qa.rig.imu import ImuSpec
from robot_mapping_qa.rig.lidar import LidarSpec
from robot_mapping_qa.rig.lidar_odometry import LidarOdometrySpec
from robot_mapping_qa.rig.odometry import OdometrySpec
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.scanner import ScannerSpec
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.shutter_camera import ShutterCameraSpec
from robot_mapping_qa.rig.trajectory import Walk
from robot_mapping_qa.rig.wheel_odometry import WheelOdometrySpec
import yaml

SENSORS: dict[str, type[SensorSpec]] = {
    kind.kind: kind for kind in (
        OdometrySpec, ImuSpec, CameraSpec, LidarSpec, LidarOdometrySpec, WheelOdometrySpec,
        ScannerSpec, ShutterCameraSpec)}
"""Kinds of sensor by the name that a scenario file calls them."""


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """
    A run of the rig, apart from the time when it starts.

    sensors maps names to settings. The robot walks along route where there is one, else walk;
    sensors that need a structure around them need a route. Faults on one sensor must not
    overlap, so that each effect has one cause.

    Raises ScenarioError for a duration that is not above 0, a negative seed, no sensor, two
    sensors on one topic, a walk that a sensor cannot measure, or a fault that its sensor cannot
    have, that overlaps another on the same sensor, or that does not fit into the duration.
    """

    name: str
    duration_s: float
    sensors: Mapping[str, SensorSpec]
    seed: int = 1
    walk: Walk = field(default_factory=Walk)
    faults: tuple[Fault, ...] = ()
    route: Route | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be run."""
        above('duration_s', self.duration_s, 0.0)
        at_least('seed', self.seed, 0)
        if not self.sensors:
            raise ScenarioError('sensors: found none, expected at least one')
        owner: dict[str, str] = {}
        for name, spec in self.sensors.items():
            for topic in spec.topics:
                if topic in owner:
                    raise ScenarioError(
                        f'sensors.{name}: found topic {topic!r}, expected one that '
                        f'sensors.{owner[topic]} does not use')
                owner[topic] = name
            try:
                spec.check(self.motion)
            except ScenarioError as error:
                raise ScenarioError(f'sensors.{name}.{error}') from None
        for index, fault in enumerate(self.faults):
            try:
                self._check_fault(fault)
            except ScenarioError as error:
                raise ScenarioError(f'faults[{index}].{error}') from None
        self._check_overlap()

    @property
    def motion(self) -> Walk | Route:
        """The robot's motion."""
        return self.walk if self.route is None else self.route

    def only(self, *names: str) -> Scenario:
        """
        Return a copy with these sensors alone, which measure what they would among the others.

        Raises KeyError for a sensor that there is not.
        """
        return replace(
            self, sensors={name: self.sensors[name] for name in names},
            faults=tuple(fault for fault in self.faults if fault.sensor in names))

    def with_sensor(self, name: str, **changes: Any) -> Scenario:
        """Return a copy with some settings of one sensor replaced."""
        return replace(
            self, sensors={**self.sensors, name: replace(self.sensors[name], **changes)})

    def _check_fault(self, fault: Fault) -> None:
        if fault.sensor not in self.sensors:
            raise ScenarioError(
                f'sensor: found {fault.sensor!r}, expected one of {", ".join(self.sensors)}')
        fault.check(self.sensors[fault.sensor])
        for name in ('at_s', 'until_s'):
            time_s = getattr(fault, name)
            if time_s is not None and time_s > self.duration_s:
                raise ScenarioError(
                    f'{name}: found {time_s!r}, expected at most duration_s, {self.duration_s!r}')

    def _check_overlap(self) -> None:
        """Refuse a fault that starts before the one before it on the same sensor is over."""
        ordered = sorted(range(len(self.faults)), key=lambda index: self.faults[index].at_s)
        last: dict[str, int] = {}
        for index in ordered:
            fault = self.faults[index]
            if fault.sensor in last:
                before = self.faults[last[fault.sensor]]
                over_s = before.until_s
                if over_s is None:
                    over_s = before.at_s if before.momentary else self.duration_s
                if fault.at_s < over_s or fault.at_s == before.at_s:
                    raise ScenarioError(
                        f'faults[{index}].at_s: found {fault.at_s!r}, expected a time after '
                        f'faults[{last[fault.sensor]}] on {fault.sensor}, which ends at '
                        f'{over_s!r}')
            last[fault.sensor] = index


def packaged_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the package."""
    folder = resources.files(__package__) / 'scenarios'
    return sorted(
        entry.name[:-len('.yaml')] for entry in folder.iterdir() if entry.name.endswith('.yaml'))


def load_scenario(name_or_path: str | Path) -> Scenario:
    """
    Return a packaged scenario by its name, or one read from a YAML file by its path.

    What ends in .yaml or .yml, or has a slash, is a path.

    Raises ScenarioError if there is no such scenario, or its content is refused; the message names
    the file, the key, what was found and what was expected.
    """
    text = str(name_or_path)
    if text.endswith(('.yaml', '.yml')) or '/' in text:
        try:
            content = Path(text).read_text(encoding='utf-8')
        except OSError as error:
            raise ScenarioError(f'{text}: cannot be read: {error.strerror}') from None
        except UnicodeDecodeError:
            raise ScenarioError(f'{text}: cannot be read: not UTF-8 text') from None
    elif text in packaged_scenarios():
        file = resources.files(__package__) / 'scenarios' / f'{text}.yaml'
        content = file.read_text(encoding='utf-8')
    else:
        raise ScenarioError(
            f'scenario: found {text!r}, expected the path of a YAML file or one of '
            f'{", ".join(packaged_scenarios())}')
    try:
        return scenario_from_yaml(content)
    except ScenarioError as error:
        raise ScenarioError(f'{text}: {error}') from None


def scenario_from_yaml(content: str) -> Scenario:
    """Return the scenario that a YAML text describes; raises ScenarioError as load_scenario."""
    try:
        tree = yaml.safe_load(content)
    except yaml.YAMLError as error:
        mark = getattr(error, 'problem_mark', None)
        where = f' in line {mark.line + 1}' if mark else ''
        raise ScenarioError(f'not YAML{where}: {getattr(error, "problem", error)}') from None
    tree = dict(_mapping('', tree))
    if 'sensors' in tree:
        tree['sensors'] = {
            name: _of_kind(f'sensors.{name}', SENSORS, settings)
            for name, settings in _mapping('sensors', tree['sensors']).items()}
    if 'faults' in tree:
        if not isinstance(tree['faults'], list):
            raise ScenarioError(f'faults: found {tree["faults"]!r}, expected a list')
        tree['faults'] = tuple(
            _of_kind(f'faults[{index}]', FAULTS, settings)
            for index, settings in enumerate(tree['faults']))
    if 'walk' in tree and 'route' in tree:
        raise ScenarioError('walk, route: found both, expected at most one of the two')
    return _build('', Scenario, tree)


def _of_kind(where: str, kinds: Mapping[str, type], settings: Any) -> Any:
    """Build the dataclass that the key kind names."""
    settings = dict(_mapping(where, settings))
    kind = settings.pop('kind', None)
    if not isinstance(kind, str) or kind not in kinds:
        found = 'nothing' if kind is None else repr(kind)
        raise ScenarioError(f'{where}.kind: found {found}, expected one of {", ".join(kinds)}')
    return _build(where, kinds[kind], settings)


def _build(where: str, cls: type, settings: Any) -> Any:
    """Build a dataclass from a mapping of its fields, refusing unknown and missing keys."""
    settings = _mapping(where, settings)
    prefix = f'{where}.' if where else ''
    known = {item.name: item for item in fields(cls) if item.init}
    for key in settings:
        if key not in known:
            raise ScenarioError(f'{prefix}{key}: unknown key, expected one of {", ".join(known)}')
    for key, item in known.items():
        if key not in settings and item.default is MISSING and item.default_factory is MISSING:
            raise ScenarioError(f'{prefix}{key}: missing')
    hints = get_type_hints(cls)
    values = {
        key: _value(f'{prefix}{key}', hints[key], value) for key, value in settings.items()}
    try:
        return cls(**values)
    except ScenarioError as error:
        raise ScenarioError(f'{prefix}{error}') from None


def _value(where: str, hint: Any, value: Any) -> Any:
    """Return a value of the hinted type, or refuse it."""
    if get_origin(hint) in (Union, types.UnionType):
        # Only 'float | None' occurs: a key that is given must not be empty.
        hint = next(option for option in get_args(hint) if option is not type(None))
    if isinstance(hint, type) and is_dataclass(hint):
        return _build(where, hint, value)
    if hint is float:
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not math.isfinite(value):
            raise ScenarioError(f'{where}: found {value!r}, expected a finite number')
        return float(value)
    for plain, words in ((bool, 'true or false'), (int, 'a whole number'), (str, 'text')):
        if hint is plain:
            if type(value) is not plain:
                raise ScenarioError(f'{where}: found {value!r}, expected {words}')
            return value
    return value


def _mapping(where: str, value: Any) -> Mapping[str, Any]:
    if not isinstance(value, Mapping) or not all(isinstance(key, str) for key in value):
        raise ScenarioError(
            f'{where or "the file"}: found {value!r}, expected a mapping of names to values')
    return value
