"""Weights of the model's blocks: learnt by evidence at some frequencies, and between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.steps.model.box import Box
from scanproc.steps.model.dictionary import is_rigid
from scanproc.steps.model.field_model import ROOM, FieldModel, block_kernels, freedom
from scanproc.waves.algebra.gaussian_fit import Problem, Weights, learn_weights

LEARNING_POINTS = 350
"""Weights are learnt on so many points,"""
MOST_LEARNING_POINTS = 450
"""or up to so many where the sound consists of more numbers than that."""
EVIDENCE_POINTS = 250
USUAL_NOISE = 1e-4
"""Also where the search starts: from much less it ends with sources that fit every sound exactly."""
NOISE = "noise"
SMOOTH_OCTAVES = 0.2
"""By the fleet's choosing half: one layer in a room is half as often predicted too surely, nothing else changes."""


def learn(models: Sequence[FieldModel], pressures: Sequence[Complex]) -> dict[str, float]:
    """Weight of every block by name, and "noise", pooled over frequencies whose models have the same blocks."""
    wanted = min(max(LEARNING_POINTS, int(freedom(models[0]))), MOST_LEARNING_POINTS)
    chosen = learning_points(len(pressures[0]), wanted)
    problems = [
        Problem(block_kernels(model, chosen), pressure[chosen])
        for model, pressure in zip(models, pressures, strict=True)
    ]
    found = learn_weights(problems, Weights(models[0].usual, USUAL_NOISE), models[0].spread)
    return {**dict(zip(models[0].names, found.block.tolist(), strict=True)), NOISE: found.noise}


def log_evidence(model: FieldModel, pressure: Complex) -> float:
    """Of the pressures (points,) for the model, weights as they are likeliest; for comparing models on like points."""
    chosen = learning_points(len(pressure), EVIDENCE_POINTS)
    problem = Problem(block_kernels(model, chosen), pressure[chosen])
    return learn_weights([problem], Weights(model.usual, USUAL_NOISE), model.spread).evidence


def learning_points(points: int, wanted: int = LEARNING_POINTS) -> Integer:
    """Every point, or a fixed random choice of as many as ``wanted``, rising."""
    if points <= wanted:
        return np.arange(points)
    return np.sort(np.random.default_rng(0).choice(points, wanted, replace=False))


def smoothed(sample_hz: Real, rigid: Boolean, rows: Real) -> Real:
    """Weights ``rows`` (blocks, S) learnt at samples (S,), each drawn towards what its neighbours tell.

    Chance moves what one frequency tells; what a device and a room radiate changes slowly. Geometric means under a
    Gaussian of ``SMOOTH_OCTAVES`` over those whose surface is ``rigid`` (S,) or loose likewise; NaN where a block is
    not.
    """
    octaves = np.log2(sample_hz)
    near = np.exp(-0.5 * ((octaves[:, None] - octaves) / SMOOTH_OCTAVES) ** 2) * (rigid[:, None] == rigid)
    known = np.isfinite(rows)
    told = np.where(known, np.log(np.where(known, rows, 1.0)), 0.0) @ near
    with np.errstate(invalid="ignore"):
        mean: Real = np.exp(told / (known @ near))
    return np.where(known, mean, np.nan)


def weights_at(plan: FitPlan, frequency_hz: float, wavenumber: float) -> Mapping[str, float]:
    """The weights at a frequency, between those learnt at the samples, in log over log frequency.

    Only samples whose surface is rigid or loose likewise tell, where there are any.
    """
    box = Box(plan.box_centre_m, plan.box_size_m)
    rigid, per_hz = is_rigid(box, wavenumber), wavenumber / frequency_hz
    alike = np.array([is_rigid(box, per_hz * f) for f in plan.sample_hz]) == rigid
    rows = dict(zip(plan.block_names, plan.block_weight, strict=True)) | {NOISE: plan.noise}
    weights = {}
    for name, row in rows.items():
        known = np.isfinite(row) & (alike | ~alike.any())
        if known.any():
            log = np.interp(np.log(frequency_hz), np.log(plan.sample_hz[known]), np.log(row[known]))
            weights[name] = float(np.exp(log))
    return weights


def room_level_db(plan: FitPlan, frequency_hz: Real) -> Real:
    """The room's sound at the points over the device's, as the weights say, dB, (F,); NaN where it is not modelled."""
    known = dict(zip(plan.block_names, plan.block_weight, strict=True))
    if ROOM not in known:
        return np.full(len(frequency_hz), np.nan)
    share = np.interp(np.log(frequency_hz), np.log(plan.sample_hz), np.log(known[ROOM]))
    heard = np.minimum(np.exp(share), 1 - 1e-6)
    level: Real = 10 * np.log10(heard / (1 - heard))
    return level
