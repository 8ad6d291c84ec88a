"""The compiled loops: Newton's method on the nonlinear laws, and steps of TR-BDF2 with error control.

TR-BDF2 is a trapezoid over γ = 2 − √2 of the step and then a backward difference, both with the same matrix;
second order, L-stable, with an error estimate of third order (R. E. Bank et al., IEEE Trans. CAD 4, 1985;
M. E. Hosea and L. F. Shampine, Applied Numerical Mathematics 20, 1996; both cited, not read: order and
damping are measured in test_nodal_closed_forms.py).

Steps are a base step halved so many times; `level` says how many. For each level the linear network is
solved beforehand as it is seen from its stores (capacitors and poles), its sources and its nonlinear laws.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from reference.nodal.equations import BEND, CLIP, JUNCTION, WALL

D = 1 - math.sqrt(0.5)
W = math.sqrt(2) / 4
# Weights of the error estimate on the currents of the three stages.
E1, E2, E3 = (4 * W - 1) / 3, -1 / 3, 2 * D / 3
GAMMA = 2 * D

NEWTON_MOST = 60
NEWTON_V = 1e-10
NEWTON_SHARE = 1e-8
# Beyond this many slopes a junction goes on straight: 1e26 saturation currents.
STRAIGHT = 60.0

compiled = njit(cache=True, nogil=True, error_model="numpy")


class Network(NamedTuple):
    """Stores and laws, and the linear network as they see it; the first axis of the last nine is the level.

    v: arguments of the laws, w: volts of the stores, y: outputs; of what the stores remember (hist), of the
    sources (drive), and of the laws' values (seen, which draw, so that it is subtracted).
    """

    farads: np.ndarray
    kinds: np.ndarray
    numbers: np.ndarray
    pivots: np.ndarray
    constant: np.ndarray
    v_hist: np.ndarray
    v_drive: np.ndarray
    v_seen: np.ndarray
    w_hist: np.ndarray
    w_drive: np.ndarray
    w_seen: np.ndarray
    y_hist: np.ndarray
    y_drive: np.ndarray
    y_seen: np.ndarray


class Room(NamedTuple):
    """Room to work in. rest: the laws' values without their pivots, where the last solution left them."""

    offered: np.ndarray
    rest: np.ndarray
    slopes: np.ndarray
    step: np.ndarray
    active: np.ndarray
    matrix: np.ndarray


@compiled
def room_for(laws):
    """Return it."""
    return Room(
        np.empty(laws),
        np.empty(laws),
        np.empty(laws),
        np.empty(laws),
        np.empty(laws, dtype=np.int64),
        np.empty((laws, laws)),
    )


@compiled
def law(kind, numbers, pivot, v):
    """Return what is left of a law without its pivot, and its slope there."""
    if kind == JUNCTION:
        share = v / numbers[1]
        if share > STRAIGHT:
            top = math.exp(STRAIGHT)
            value, slope = numbers[0] * (top * (1 + share - STRAIGHT) - 1), numbers[0] * top / numbers[1]
        else:
            value = numbers[0] * math.expm1(share)
            slope = (value + numbers[0]) / numbers[1]
    elif kind == CLIP:
        if v > numbers[1]:
            value, slope = numbers[1], 0.0
        elif v < numbers[0]:
            value, slope = numbers[0], 0.0
        else:
            value, slope = v, 1.0
    elif kind == WALL:
        if v > numbers[1]:
            value, slope = numbers[2] * (v - numbers[1]), numbers[2]
        elif v < numbers[0]:
            value, slope = numbers[2] * (v - numbers[0]), numbers[2]
        else:
            value, slope = 0.0, 0.0
    else:
        assert kind == BEND
        slope = numbers[1] if v > 0 else numbers[0]
        value = slope * v
    return value - pivot * v, slope - pivot


@compiled
def limited(kind, numbers, old, new):
    """Keep a junction from leaping up its exponential: the step that its current would have taken."""
    if kind != JUNCTION:
        return new
    slope_v = numbers[1]
    knee = slope_v * math.log(slope_v / (math.sqrt(2.0) * numbers[0]))
    if new > knee and abs(new - old) > 2 * slope_v:
        if old > 0:
            lift = 1 + (new - old) / slope_v
            return old + slope_v * math.log(lift) if lift > 0 else knee
        return slope_v * math.log(max(new / slope_v, 1.0001))
    return new


@compiled
def newton(net, level, v, room):
    """Solve v + seen·rest(v) = offered in place, from v on; True if it converged."""
    offered, rest, slopes, step, active, matrix = room
    seen, laws = net.v_seen[level], v.size
    for _ in range(NEWTON_MOST):
        many = 0
        for k in range(laws):
            rest[k], slopes[k] = law(net.kinds[k], net.numbers[k], net.pivots[k], v[k])
            if slopes[k] != 0.0:
                active[many] = k
                many += 1
        for k in range(laws):
            step[k] = offered[k] - v[k]
            for j in range(laws):
                step[k] -= seen[k, j] * rest[j]
        for i in range(many):
            for j in range(many):
                matrix[i, j] = seen[active[i], active[j]] * slopes[active[j]]
            matrix[i, i] += 1.0
        _solve_active(matrix, step, active, many)
        _rest_of_step(seen, slopes, step, active, many)
        settled = True
        for k in range(laws):
            new = limited(net.kinds[k], net.numbers[k], v[k], v[k] + step[k])
            if not abs(new - v[k]) <= NEWTON_V + NEWTON_SHARE * abs(new):
                settled = False
            v[k] = new
        if settled:
            for k in range(laws):
                rest[k], _ = law(net.kinds[k], net.numbers[k], net.pivots[k], v[k])
            return True
    return False


@compiled
def _solve_active(matrix, step, active, many):
    """Gauss with row pivots; the answer replaces step where a law is active."""
    for i in range(many):
        best = i
        for r in range(i + 1, many):
            if abs(matrix[r, i]) > abs(matrix[best, i]):
                best = r
        if best != i:
            for c in range(i, many):
                matrix[i, c], matrix[best, c] = matrix[best, c], matrix[i, c]
            step[active[i]], step[active[best]] = step[active[best]], step[active[i]]
        for r in range(i + 1, many):
            share = matrix[r, i] / matrix[i, i]
            if share != 0.0:
                for c in range(i + 1, many):
                    matrix[r, c] -= share * matrix[i, c]
                step[active[r]] -= share * step[active[i]]
    for i in range(many - 1, -1, -1):
        total = step[active[i]]
        for c in range(i + 1, many):
            total -= matrix[i, c] * step[active[c]]
        step[active[i]] = total / matrix[i, i]


@compiled
def _rest_of_step(seen, slopes, step, active, many):
    at = 0
    for k in range(step.size):
        if at < many and active[at] == k:
            at += 1
            continue
        for i in range(many):
            step[k] -= seen[k, active[i]] * slopes[active[i]] * step[active[i]]


@compiled
def waves_at(coefficients, cells_per_s, time_s, drive):
    """Write a constant 1 and the waves, polynomials of fifth degree on even cells that stay at their ends."""
    drive[0] = 1.0
    for wave in range(coefficients.shape[0]):
        position = time_s * cells_per_s
        cell = min(max(int(position), 0), coefficients.shape[1] - 1)
        s, out = min(max(position - cell, 0.0), 1.0), 0.0
        for power in range(6):
            out = out * s + coefficients[wave, cell, power]
        drive[1 + wave] = out


@compiled
def implicit(net, level, hist, drive, v, volts, room):
    """Solve one implicit stage: volts of the stores into volts, v in place; True if Newton converged."""
    for k in range(v.size):
        room.offered[k] = net.constant[k]
        for m in range(hist.size):
            room.offered[k] += net.v_hist[level, k, m] * hist[m]
        for s in range(drive.size):
            room.offered[k] += net.v_drive[level, k, s] * drive[s]
    if not newton(net, level, v, room):
        return False
    looked(net.w_hist[level], net.w_drive[level], net.w_seen[level], hist, drive, room.rest, volts)
    return True


@compiled
def looked(of_hist, of_drive, of_rest, hist, drive, rest, out):
    """Write what a look at the network sees: its matrices times what goes on in it."""
    for i in range(out.size):
        total = 0.0
        for m in range(hist.size):
            total += of_hist[i, m] * hist[m]
        for s in range(drive.size):
            total += of_drive[i, s] * drive[s]
        for k in range(rest.size):
            total -= of_rest[i, k] * rest[k]
        out[i] = total


@compiled
def error_of(net, level, j, j2, j3, volts, wrong, absolute, relative):
    """Return the step's estimated error over what is allowed, the worst of all stores."""
    worst = 0.0
    for i in range(volts.size):
        wrong[i] = (E1 * j[i] + E2 * j2[i] + E3 * j3[i]) / D
    for i in range(volts.size):
        total = 0.0
        for m in range(volts.size):
            total += net.w_hist[level, i, m] * wrong[m]
        worst = max(worst, abs(total) / (absolute + relative * abs(volts[i])))
    return worst


@compiled
def march(net, coefficients, cells_per_s, start_s, base_s, steps, every, w, j, v, absolute, relative):
    """Return (outputs at every `every`th base step, steps taken, steps refused, whether Newton got through).

    w: volts of the stores, j: currents into them, v: arguments of the laws; all three are moved on in place.
    """
    levels, stores = net.v_hist.shape[0], w.size
    outputs = np.empty((steps // every, net.y_hist.shape[1]))
    drive, hist, room = np.empty(net.v_drive.shape[2]), np.empty(stores), room_for(v.size)
    w2, w3, j2, j3, wrong = w.copy(), w.copy(), j.copy(), j.copy(), w.copy()
    tried = v.copy()
    whole = 1 << (levels - 1)
    level, taken, refused = levels // 2, 0, 0
    for n in range(steps):
        tick = 0
        while tick < whole:
            length = whole >> level
            h = base_s / (1 << level)
            now_s = start_s + (n + tick / whole) * base_s
            alpha = 1 / (D * h)
            tried[:] = v
            waves_at(coefficients, cells_per_s, now_s + GAMMA * h, drive)
            for i in range(stores):
                hist[i] = net.farads[i] * alpha * w[i] + j[i]
            good = implicit(net, level, hist, drive, tried, w2, room)
            error = 8.0
            if good:
                for i in range(stores):
                    j2[i] = net.farads[i] * alpha * w2[i] - hist[i]
                    hist[i] = net.farads[i] * alpha * w[i] + (W / D) * (j[i] + j2[i])
                waves_at(coefficients, cells_per_s, now_s + h, drive)
                good = implicit(net, level, hist, drive, tried, w3, room)
            if good:
                for i in range(stores):
                    j3[i] = net.farads[i] * alpha * w3[i] - hist[i]
                error = error_of(net, level, j, j2, j3, w3, wrong, absolute, relative)
            if error > 1.0 and level < levels - 1:
                refused += 1
                level += 1
                while error > 64.0 and level < levels - 1:
                    error /= 8.0
                    level += 1
                continue
            if not good:
                return outputs, taken, refused, False
            taken += 1
            tick += length
            w[:], j[:], v[:] = w3, j3, tried
            if tick == whole and (n + 1) % every == 0:
                looked(
                    net.y_hist[level], net.y_drive[level], net.y_seen[level], hist, drive, room.rest,
                    outputs[(n + 1) // every - 1],
                )  # fmt: skip
            if error < 0.06 and level > 0 and tick % (2 * length) == 0:
                level -= 1
    return outputs, taken, refused, True


@compiled
def relax(net, alphas, most, drive, w, v):
    """Backward Euler with steps 1/alphas[level], most of them; return how far the last one moved, V.

    A step that moves less than 1 mV is followed by a longer one, a step that Newton does not get through by
    one much shorter. In the longest step it ends as soon as nothing moves by more than 1 pV.
    """
    hist, room, tried, new = w.copy(), room_for(v.size), v.copy(), w.copy()
    level, moved = 0, np.inf
    for _ in range(most):
        for i in range(w.size):
            hist[i] = net.farads[i] * alphas[level] * w[i]
        tried[:] = v
        if not implicit(net, level, hist, drive, tried, new, room):
            level, moved = max(0, level - 5), np.inf
            continue
        v[:] = tried
        moved = 0.0
        for i in range(w.size):
            moved = max(moved, abs(new[i] - w[i]))
        w[:] = new
        if level == alphas.size - 1:
            if moved < 1e-12:
                break
        elif moved < 1e-3:
            level += 1
    return moved if level == alphas.size - 1 else np.inf
