# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Message definitions and type hashes, as rosbag2 puts them into a bag.

A definition is the text of the type's interface file followed by those of every type that it
uses, each behind a line of 80 equals signs and its name (mcap.dev, registry, encodings ros2msg
and ros2idl). The type hash is that of REP 2011 ("RIHS01_" and a SHA-256).
"""

from __future__ import annotations

from functools import lru_cache
import json
from pathlib import Path
import re
import sys
from typing import Callable, NamedTuple

from rosbags.typesys import get_typestore, Stores

STORE = Stores.ROS2_JAZZY
"""Definitions of the standard messages; those used here are alike in Jazzy and Kilted."""

_SEPARATOR = '=' * 80
_TYPE = re.compile(r'([A-Za-z]\w*)/(?:(\w+)/)?([A-Za-z]\w*)', re.ASCII)
_MSG_FIELD = re.compile(r'^[ \t]*([A-Za-z][\w/]*)(?:\[[^\]\n]*\])?[ \t]+\w', re.ASCII | re.M)
_IDL_INCLUDE = re.compile(r'^[ \t]*#include[ \t]+["<]([\w/]+)\.idl[">]', re.ASCII | re.M)
_PRIMITIVES = frozenset((
    'bool', 'byte', 'char', 'float32', 'float64', 'int8', 'uint8', 'int16', 'uint16', 'int32',
    'uint32', 'int64', 'uint64', 'string', 'wstring'))


class Definition(NamedTuple):
    """
    What a bag says about a message type.

    ``encoding`` is 'ros2msg' or 'ros2idl', ``hash`` is empty where it is not known.
    """

    type: str
    encoding: str
    text: str
    hash: str


Define = Callable[[str], Definition]
"""Finds the definition of a type by its name; raises LookupError with a sentence for the user."""


@lru_cache(maxsize=None)
def standard_definition(type_name: str) -> Definition:
    """Return the definition of a standard message; needs no ROS installation."""
    store = get_typestore(STORE)
    if type_name not in store.types:
        raise LookupError(f'the definition of {type_name} is not known')
    text, _ = store.generate_msgdef(type_name, ros_version=2)
    return Definition(type_name, 'ros2msg', text, store.hash_rihs01(type_name))


def lacks_header(type_name: str) -> bool:
    """Return whether it is a standard message that does not begin with a std_msgs/Header."""
    known = get_typestore(STORE).fielddefs.get(type_name)
    return known is not None and known[1][0][1][1] != 'std_msgs/msg/Header'


@lru_cache(maxsize=None)
def installed_definition(type_name: str) -> Definition:
    """
    Return the definition of any message of the ROS installation, word for word.

    Types that were written as ``.idl`` are kept as such, like rosbag2 does.
    """
    try:
        return Definition(type_name, 'ros2msg', _with_parts(type_name, 'msg'), _hash(type_name))
    except FileNotFoundError:
        pass
    try:
        text = f'{_SEPARATOR}\nIDL: {type_name}\n{_with_parts(type_name, "idl")}'
    except FileNotFoundError as error:
        raise LookupError(f'the definition of {type_name} is not installed: there is no '
                          f'{error.filename}') from error
    return Definition(type_name, 'ros2idl', text, _hash(type_name))


def _with_parts(root: str, ending: str) -> str:
    """Return a type's interface file and, depth first, those of the types that it uses."""
    seen: set[str] = set()

    def text_of(type_name: str) -> str:
        text = _interface_file(type_name, ending).read_text(encoding='utf-8')
        parts = [text]
        for used in _used(text, type_name, ending):
            if used not in seen:
                seen.add(used)
                parts.append(f'{_SEPARATOR}\n{ending.upper()}: {used}\n{text_of(used)}')
        return '\n'.join(parts)
    return text_of(root)


def _used(text: str, type_name: str, ending: str) -> list[str]:
    """Return the names of the types in an interface file, as they stand there, in order."""
    if ending == 'idl':
        return sorted(set(_IDL_INCLUDE.findall(text)))
    package = type_name.partition('/')[0]
    names = set(_MSG_FIELD.findall(text)) - _PRIMITIVES
    return sorted(name if '/' in name else f'{package}/{name}' for name in names)


def _interface_file(type_name: str, ending: str) -> Path:
    match = _TYPE.fullmatch(type_name)
    if match is None:
        raise LookupError(f'{type_name} is not the name of a message type')
    package, folder, name = match.groups()
    return _share_folder(package) / (folder or 'msg') / f'{name}.{ending}'


def _share_folder(package: str) -> Path:
    try:
        from ament_index_python.packages import get_package_share_directory
        return Path(get_package_share_directory(package))
    except (ImportError, LookupError, OSError):
        # Not known to an installation, or nothing sourced: the wheels of a bare machine.
        folder = Path(sys.prefix) / 'share' / package
    if not folder.is_dir():
        raise LookupError(f'the package {package} is not installed: is it built and sourced?')
    return folder


def _hash(type_name: str) -> str:
    """Return the type hash that the installation's own description of the type gives."""
    try:
        described = json.loads(_interface_file(type_name, 'json').read_text(encoding='utf-8'))
    except FileNotFoundError:
        return ''
    return next((item['hash_string'] for item in described['type_hashes']
                 if item['type_name'] == type_name), '')
