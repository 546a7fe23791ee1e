"""Orders by rule and exactly, against the tables ``order_rules`` and ``order_near`` worked in mpmath.

Columns of ``order_rules``: k·r0; k·r0 + 10; Jensen and Frandsen at -40, -60, -80 dB; a rule not used here; exact at
-40, -60, -80 dB. Columns of ``order_near``: -40 dB at r/r0 = 1.1, 1.25, 1.5, 2, 3; -60 dB at 1.25, 2.
"""

from __future__ import annotations

import pytest
from truth import rows

from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order


@pytest.mark.parametrize("row", rows("monopole", "order_rules"))
def test_rules_and_exact_orders(row):
    size, orders = row[0], [*row[1:5], *row[6:9]]
    found = (
        hansen_order(size),
        *(jensen_frandsen_order(size, db) for db in (-40, -60, -80)),
        *(far_order(size, db) for db in (-40, -60, -80)),
    )
    assert list(found) == orders


@pytest.mark.parametrize("row", rows("monopole", "order_near"))
def test_exact_orders_at_the_scan_radius(row):
    size, *orders = row
    places = [(1.1, -40), (1.25, -40), (1.5, -40), (2, -40), (3, -40), (1.25, -60), (2, -60)]
    assert [near_order(size, ratio, db) for ratio, db in places] == orders
