# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading a SROS 2 policy: what each enclave may do, by full names."""

from xml.etree import ElementTree

RULES = {'topics': ('publish', 'subscribe'), 'services': ('reply', 'request')}


def allowed(path):
    """Return {enclave: {'publish', 'subscribe', 'reply' or 'request': set of full names}}."""
    # Expat resolves the file's own entities.
    policy = ElementTree.parse(path).getroot()
    assert policy.tag == 'policy' and policy.get('version') == '0.2.0'
    enclaves = {}
    for enclave in policy.iterfind('enclaves/enclave'):
        rights = {rule: set() for rules in RULES.values() for rule in rules}
        for profile in enclave.iterfind('profiles/profile'):
            for group in profile:
                given = set(group.attrib)
                assert given and given <= set(RULES[group.tag]), group.attrib
                assert set(group.attrib.values()) == {'ALLOW'}
                names = {full_name(item.text, profile.get('ns'), profile.get('node'))
                         for item in group.iterfind(group.tag[:-1])}
                assert names and len(names) == len(group)
                for rule in given:
                    rights[rule] |= names
        assert enclave.get('path') not in enclaves
        enclaves[enclave.get('path')] = rights
    return enclaves


def full_name(name, namespace, node):
    """Return a name of a profile as ROS 2 would: absolute, private (~) or relative."""
    if name.startswith('/'):
        return name
    base = namespace.rstrip('/')
    return f'{base}/{node}{name[1:]}' if name.startswith('~') else f'{base}/{name}'
