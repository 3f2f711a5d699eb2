# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Broken bytes, texts and files end in a refusal or a result, never in a crash or a hang."""

import random

from fuzzing import broken_bytes, broken_text, run_cases, TARGETS
import pytest
from robot_mapping_qa.configuration import ConfigurationError, load_configuration

CASES = {'headers': 6000, 'poses': 2500, 'beside': 2000, 'motion': 4000, 'contents': 4000,
         'times': 3000, 'verdicts': 3000, 'configurations': 200, 'bags': 60}


@pytest.mark.parametrize('name', TARGETS)
def test_broken_input_is_refused_or_judged(name, tmp_path):
    # `python test/fuzzing.py --cases 1000000` is the long version.
    run_cases(TARGETS[name](tmp_path), seed=2, numbers=range(CASES[name]))


@pytest.mark.parametrize('text', [
    # What the generator found: PyYAML raises ValueError for these instead of an error of its own.
    '/**: {ros__parameters: {a: 0x_}}', '/**: {ros__parameters: {a: ._}}',
    '/**: {ros__parameters: {a: !!int x}}', '/**: {ros__parameters: {a: ' + '9' * 5000 + '}}',
    # OverflowError: a whole number beyond every float.
    '/**: {ros__parameters: {streams: [a], working_distance_m: ' + '9' * 400 + '}}',
    # TypeError: a list for a key.
    '/**: {ros__parameters: {? [1] : 2}}', '/**: {ros__parameters: {[1]: 2, [1]: 3}}',
    # RecursionError, and a name that grows without end.
    '/**: ' + '{a: ' * 3000, '/**: {ros__parameters: &a {b: *a}}',
    # 2 ** 40 values from a few lines.
    '/**: {ros__parameters: {a0: &a0 {x: 1}, ' + ', '.join(
        f'a{n}: &a{n} {{p: *a{n - 1}, q: *a{n - 1}}}' for n in range(1, 40)) + '}}',
])
def test_files_that_were_found_to_crash_or_hang_are_refused(text, tmp_path):
    file = tmp_path / 'found.yaml'
    file.write_text(text)
    with pytest.raises(ConfigurationError) as refusal:
        load_configuration(file)
    assert refusal.value.problems


def test_the_generator_breaks_what_it_is_given():
    data, text = bytes(range(200)), 'a: 1\nb: [2, 3]\n' * 5
    broken = {broken_bytes(random.Random(seed), data) for seed in range(500)}
    texts = {broken_text(random.Random(seed), text) for seed in range(500)}
    assert len(broken) > 450 and len(texts) > 150
    assert any(len(each) < 100 for each in broken) and any(len(each) > 205 for each in broken)
