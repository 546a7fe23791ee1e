"""What a plan may expect of a device that nobody has scanned: ``python -m tests.benchmarks.usual_weights``.

``pool`` learns the weights of the fleet's half "choose" and prints the geometric means that stand in
``steps/planning/usual_weights.py``; ``judge`` compares, on the other half, the number of points that such a plan says
with the one that the weights learnt of that very device tell, both by the formula on the plan's shell, for -25 dB at
the three highest frequencies. The plan is told the box and the place of its tweeter, or of its first piston.
"""

from __future__ import annotations

import argparse
import re
from collections import defaultdict
from collections.abc import Iterator

import h5py
import numpy as np
from threadpoolctl import threadpool_limits

from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.steps.fit.plan import prepare
from scanproc.steps.model.box import Box
from scanproc.steps.model.field_model import Device
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.expected import Conditions, Expected, as_before, mean_prior, usual
from scanproc.steps.planning.needs import Question, needs
from scanproc.steps.planning.surfaces import even_layers, layer_radii
from tests.benchmarks.fleet import HALVES, SPEED_M_S, TRUTH, Scenario, make

FREQUENCIES = slice(2, 7)
TARGET_DB = -25.0
NAMES = ("tweeter", "driver", "woofer", "front")
"""Of pistons: the first that a device has is where a plan is told that high frequencies leave."""


def learnt(half: str) -> Iterator[tuple[str, FitPlan]]:
    """What scans of 500 points on two shells, 60 dB signal-to-noise, teach of each device of a half."""
    for device in HALVES[half]:
        scan, _, _ = make(Scenario(device, "two", 500, 60.0, False, 1.0, 0.0), 1, 7)
        yield device, prepare(scan.take_frequencies(np.arange(7)[FREQUENCIES]), find_positions=False)


def kind(name: str) -> str:
    """A block's name without the number of its place."""
    return re.sub(r" (about|near) place \d+$", r" \1 place", name)


def pool() -> None:
    """Of blocks about several places the sum counts."""
    found: dict[str, list[float]] = defaultdict(list)
    for _, plan in learnt("choose"):
        for column in plan.block_weight.T:
            sums: dict[str, float] = defaultdict(float)
            for name, weight in zip(plan.block_names, column, strict=True):
                if np.isfinite(weight):
                    sums[kind(name)] += float(weight)
            for name, weight in sums.items():
                found[name].append(weight)
    share, log = [], []
    for name, weights in sorted(found.items()):
        if degrees := re.match(r"degrees up to (\S+) of", name):
            share += [float(degrees[1])] * len(weights)
            log += np.log(weights).tolist()
        else:
            print(f"{name:<32} {np.exp(np.mean(np.log(weights))):.2g} of {len(weights)}")
    slope, start = np.polyfit(share, log, 1)
    print(f"degrees: log weight {start:.2f} {slope:+.2f} times their share of k times the reach")


def judge() -> None:
    ratios = []
    for device, plan in learnt("report"):
        for index in (-3, -2, -1):
            own, plain = numbers(device, plan, float(plan.sample_hz[index]))
            ratios.append(plain / own)
            print(
                f"{device:<10} {plan.sample_hz[index]:5.0f} Hz  like {own:4d}  plain {plain:4d}", flush=True
            )
    off = np.maximum(ratios, 1 / np.array(ratios))
    print(f"within a factor of 1.5 in {np.sum(off <= 1.5)} of {len(off)}, at most {off.max():.2f}")


def numbers(device: str, plan: FitPlan, hz: float) -> tuple[int, int]:
    """Points by what was learnt of the device, and by what is usual."""
    box = Box(plan.box_centre_m, plan.box_size_m)
    layers = even_layers("shell", box, layer_radii(box, 0.1, 1, 0.0), None)
    with h5py.File(TRUTH / f"{device}.h5") as file:
        names = [str(name) for name in file.attrs["piston_names"]]
        first = next(names.index(name) for name in NAMES if name in names)
        source = file.attrs["piston_centre_m"][first]
    at, k = np.concatenate(layers(600)), 2 * np.pi * hz / SPEED_M_S
    noise = float(np.exp(np.mean(np.log(plan.noise))))
    given = Conditions(snr_db=-10 * np.log10(noise))
    same = Earlier(
        device, box, np.array([0]), np.array([hz]), np.array([k]), np.array([-30.0]), at, None, (plan,)
    )
    told = as_before(same, 0, at, given)
    plain = usual(Device(box, source[None]), k, at, given)
    level = _prior_db(told)
    found = [
        needs(Question(np.array([hz]), np.array([0]), lambda _, e=e: e, layers, target), lambda _: None).total
        for e, target in ((told, TARGET_DB + level), (plain, TARGET_DB))
    ]
    return found[0], found[1]


def _prior_db(told: Expected) -> float:
    """The error that the formula tells of no points at all, which is 0 dB where nothing was measured."""
    formula = told.formula
    prior = mean_prior(formula.model, formula.weight)
    return formula.error_db + 10 * float(np.log10(prior / formula.variance))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("part", choices=["pool", "judge"])
    with threadpool_limits(1):
        {"pool": pool, "judge": judge}[ask.parse_args().part]()


if __name__ == "__main__":
    main()
