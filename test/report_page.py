# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading the numbers of a report's page, and what the tests work out again from a bag."""

from html.parser import HTMLParser
import re

import numpy as np
from scipy.optimize import linprog


class Tables(HTMLParser):
    """Collects the rows of each table of a page by the heading above it, and the tally."""

    def __init__(self, text):
        super().__init__()
        self.tables, self.tally = {}, []
        self._heading, self._into, self._row = '', None, []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        if tag in ('h2', 'h3'):
            self._heading, self._into = '', 'heading'
        elif tag == 'b' and not self.tables:
            self._into = 'tally'
        elif tag == 'tr':
            self._row = []
        elif tag == 'td':
            self._row.append('')
            self._into = 'cell'

    def handle_data(self, data):
        if self._into == 'heading':
            self._heading += data
        elif self._into == 'tally':
            self.tally.append(data)
        elif self._into == 'cell':
            self._row[-1] += f'{data.strip()} '

    def handle_endtag(self, tag):
        if tag in ('h2', 'h3', 'td', 'b') and not (tag == 'b' and self._into == 'cell'):
            self._into = None
        elif tag == 'tr' and self._row:
            self.tables.setdefault(self._heading.strip(), []).append(
                [cell.strip() for cell in self._row])


def numbers(text):
    return [float(found) for found in re.findall(r'-?\d+(?:\.\d+)?', text.replace('−', '-'))]


def seconds(text):
    minutes, _, rest = text.partition(':')
    return 60.0 * float(minutes) + float(rest)


def line_below(x, y):
    """Return slope and height at the end of the line below all points that is closest to them."""
    # The sum of the distances is least: linear in slope and height (Moon, Skelly, Towsley 1999).
    x = x - x[-1]
    found = linprog([-x.sum(), -len(x)], A_ub=np.column_stack([x, np.ones_like(x)]), b_ub=y,
                    bounds=[(None, None)] * 2)
    return found.x
