"""Orders by rule and exactly, against the tables ``order_rules`` and ``order_near`` worked in mpmath.

Columns of ``order_rules``: k·r0 + 10; Jensen and Frandsen at -40, -60, -80 dB; exact at -40, -60, -80 dB. Columns of
``order_near``: -40 dB at r/r0 = 1.1, 1.25, 1.5, 2, 3; -60 dB at 1.25, 2.
"""

from __future__ import annotations

import pytest

from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order

RULES = {
    1: (11, 3, 4, 5, 3, 4, 5),
    2: (12, 5, 6, 7, 4, 6, 7),
    5: (15, 9, 10, 12, 8, 10, 11),
    10: (20, 14, 16, 18, 14, 16, 18),
    20: (30, 25, 28, 30, 25, 28, 30),
    40: (50, 47, 50, 53, 46, 50, 53),
    60: (70, 68, 71, 75, 67, 71, 74),
}
NEAR = {
    1: (32, 14, 8, 5, 3, 23, 8),
    2: (32, 14, 8, 5, 5, 23, 8),
    5: (32, 15, 10, 9, 8, 24, 11),
    10: (33, 18, 15, 14, 14, 26, 16),
    20: (38, 26, 25, 25, 25, 32, 28),
    40: (53, 47, 46, 46, 46, 51, 50),
}


@pytest.mark.parametrize(("size", "row"), RULES.items())
def test_rules_and_exact_orders(size, row):
    found = (
        hansen_order(size),
        *(jensen_frandsen_order(size, db) for db in (-40, -60, -80)),
        *(far_order(size, db) for db in (-40, -60, -80)),
    )
    assert found == row


@pytest.mark.parametrize(("size", "row"), NEAR.items())
def test_exact_orders_at_the_scan_radius(size, row):
    places = [(1.1, -40), (1.25, -40), (1.5, -40), (2, -40), (3, -40), (1.25, -60), (2, -60)]
    assert tuple(near_order(size, ratio, db) for ratio, db in places) == row
