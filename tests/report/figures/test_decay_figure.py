"""The figure of a decay names the frequency that rings, and ends where nothing is left to see."""

from __future__ import annotations

import re

import numpy as np
from patterns import pattern_expansion

from scanproc.report.figures.axis import decay

HZ = 100 * 2 ** (np.arange(289) / 48)
AT, Q = 800.0, 12.0


def test_the_finding_names_the_resonance_where_the_target_is_met() -> None:
    s = 1j * HZ / AT
    drive = 1 + 3 * (s / Q) / (s * s + s / Q + 1)
    expansion = pattern_expansion(
        lambda angle: drive * np.ones((len(angle), 1)), HZ, 2, relative_variance=1e-9
    )
    (figure,) = decay(expansion, np.ones(len(HZ), dtype=bool), None)
    found = re.match(r"At (7[89]\d|8[01]\d) Hz .* by 20 dB: (\S+) periods, (\S+) ms;", figure.text.finding)
    assert found, figure.text.finding
    assert float(found[2]) > 20 / (20 * np.pi / (Q * np.log(10)))  # no sooner than the pole alone
    assert abs(float(found[3]) - 1000 * float(found[2]) / float(found[1])) < 0.1
    assert figure.y_axis.high < 16
    (elsewhere,) = decay(expansion, HZ > 1200, None)
    assert not re.match(r"At (7|8)\d\d Hz", elsewhere.text.finding)
