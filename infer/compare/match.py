"""Which measured foot is which true foot."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import linear_sum_assignment

from raysplay.infer.compare.run_tables import MeasuredFoot
from raysplay.infer.compare.true_foot import TrueFoot

_FAR = 1e12


def match_feet(truth: Sequence[TrueFoot], found: Sequence[MeasuredFoot]) -> list[int | None]:
    """Index of the found foot for every true foot of one film; each found foot serves once.

    By position first, where both have one: the measured centre must lie in the true box (with no box given,
    the nearest counts). Then by side, a dorsoplantar foot rather with one that was measured. Then, if one of
    each is left and position does not speak against it, these.
    """
    partner: list[int | None] = [None] * len(truth)
    if not truth or not found:
        return partner
    cost = np.full((len(truth), len(found)), _FAR)
    for i, true in enumerate(truth):
        for k, foot in enumerate(found):
            distance = _distance(true, foot)
            if distance is not None:
                cost[i, k] = distance
    for i, k in zip(*linear_sum_assignment(cost), strict=True):
        if cost[i, k] < _FAR:
            partner[i] = int(k)
    for i, true in enumerate(truth):
        if partner[i] is None:
            same = [k for k in _left(partner, found) if found[k].side == true.side and not _apart(true, found[k])]
            if same:
                partner[i] = min(same, key=lambda k: _unlike(true, found[k]))
    rest = [i for i, k in enumerate(partner) if k is None]
    left = _left(partner, found)
    if len(rest) == 1 and len(left) == 1 and not _apart(truth[rest[0]], found[left[0]]):
        partner[rest[0]] = left[0]
    return partner


def _left(partner: Sequence[int | None], found: Sequence[MeasuredFoot]) -> list[int]:
    return [k for k in range(len(found)) if k not in partner]


def _distance(true: TrueFoot, foot: MeasuredFoot) -> float | None:
    """Distance of the centres in pixels; ``None`` where one has no position or the box is missed."""
    if true.centre is None or foot.centre is None:
        return None
    dx, dy = foot.centre[0] - true.centre[0], foot.centre[1] - true.centre[1]
    if true.size is not None and (abs(dx) > true.size[0] / 2.0 or abs(dy) > true.size[1] / 2.0):
        return None
    return float(np.hypot(dx, dy))


def _apart(true: TrueFoot, foot: MeasuredFoot) -> bool:
    """Whether both have positions and these do not agree."""
    return true.centre is not None and foot.centre is not None and _distance(true, foot) is None


def _unlike(true: TrueFoot, foot: MeasuredFoot) -> bool:
    return (foot.decision == "refused") == (true.view == "dp")
