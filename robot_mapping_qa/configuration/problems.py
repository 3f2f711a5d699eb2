# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How a refused configuration is reported."""

from __future__ import annotations

from array import array
from typing import Sequence


class ConfigurationError(ValueError):
    """
    A configuration that is refused.

    ``problems`` lists every problem found, one sentence each, with the key's full name, what
    was found and what was expected.
    """

    def __init__(self, problems: Sequence[str], origin: str = 'parameters') -> None:
        """Keep the sentences and name the file or source that they are about."""
        self.problems = tuple(problems)
        self.origin = origin
        super().__init__('\n'.join(f'{origin}: {problem}' for problem in self.problems))


def shown(value: object) -> str:
    """Return a found value as a person would write it, with its type where that matters."""
    if isinstance(value, bool):
        return 'true' if value else 'false'
    if isinstance(value, str):
        return f'the text {value!r}'
    if isinstance(value, dict):
        return 'a group of keys'
    if value is None:
        return 'nothing'
    if isinstance(value, (list, tuple, array)):
        return '[' + ', '.join(str(item) for item in value) + ']'
    return str(value)
