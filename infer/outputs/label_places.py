"""Where labels go in a picture: off lines, points and each other, nearest to what they name, off bright bone.

Every place of a grid is a candidate. What must not be covered is drawn into a mask whose running sums tell at once what
a box would cover; the rest is a sum of costs. Labels are set one after another, then each once more with the others in
place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from raysplay.infer.outputs.angle_arcs import segments_cross
from raysplay.infer.outputs.overlay_style import Box
from raysplay.infer.records import FloatArray

_GRID = 2
"""Pixels of the picture to one of the mask."""
_STEP = 4
"""Pixels of the mask between candidates."""
_EDGE = 4.0
"""Distance kept to the border of the picture, and around what must not be covered."""
_AROUND = np.array([-_EDGE, -_EDGE, _EDGE, _EDGE])
_TOUCHING = 14.0
"""Gap up to which a label is seen to belong to its arc; from there on a leader shows it."""
_REACH = 200.0
"""Distance from what it names within which a label is looked for first."""
_LOOKED_AT = 60
"""Best candidates whose leader is looked at."""

_COVERS, _STRANGER = 1000.0, 400.0
"""Costs that no sum of others reaches: to cover a line, a point or a label; to lie nearer to what another one names."""


@dataclass(frozen=True)
class Named:
    """What a label names.

    Attributes
    ----------
    points : ndarray, shape (N, 2)
        A line in the picture; the label is to lie nearest to it, and a leader may end anywhere on its middle part.
    width, height : float
        Of the label.
    centre : ndarray of shape (2,) or None
        Where an arc is bent about: the label does better on the other side.
    """

    points: FloatArray
    width: float
    height: float
    centre: FloatArray | None = None


@dataclass(frozen=True)
class Placed:
    """A label's box and, where it stands away from what it names, the two ends of its leader, shape (2, 2)."""

    box: Box
    leader: FloatArray | None


def place_labels(named: Sequence[Named], boxes: Sequence[Box], ground: Ground) -> list[Placed]:
    """Places for labels, in the order of ``named``; ``boxes`` are there already."""
    found: list[Placed | None] = [None] * len(named)
    strangers = [[other.points for k, other in enumerate(named) if k != i] for i in range(len(named))]

    @cache
    def free(i: int, reach: float) -> tuple[FloatArray, FloatArray]:
        return ground.free_places(named[i], strangers[i], reach)

    for _ in range(2):
        for i, one in enumerate(named):
            taken = [*boxes, *(other.box for k, other in enumerate(found) if other is not None and k != i)]
            leaders = [p.leader for k, p in enumerate(found) if p is not None and p.leader is not None and k != i]
            found[i] = ground.place(one, strangers[i], partial(free, i), taken, leaders)
    return [one for one in found if one is not None]


def place_tags(axes: Sequence[tuple[FloatArray, float, float]], ground: Ground) -> list[Box]:
    """Boxes for the names of axes, each at an end of its own.

    Parameters
    ----------
    axes : sequence of (ndarray of shape (2, 2), float, float)
        Ends of each axis as drawn, width and height of its tag.
    ground : Ground
    """
    found: list[Box] = []
    for i, (ends, width, height) in enumerate(axes):
        boxes = _at_ends(ends, width, height)
        cost = ground.covering(boxes, found, ()) + ground.hiding(boxes)
        own = _gap(boxes, ends)
        for k, (other, _, _) in enumerate(axes):
            if k != i:
                along = other[0] + np.linspace(0.0, 1.0, 16)[:, None] * (other[1] - other[0])
                cost += np.where(_gap(boxes, along) < own, _STRANGER, 0.0)
        found.append(_box(boxes[int(cost.argmin())]))
    return found


class Ground:
    """The picture below the labels, with running sums of what is in it.

    Parameters
    ----------
    lines : sequence of ndarray, shape (N, 2)
        Lines that must not be covered and should not be crossed by a leader: axes, extensions, all arcs.
    points : sequence of (ndarray of shape (2,), float)
        Points that must not be covered, with their radius.
    grey : ndarray of uint8, shape (H, W)
    """

    def __init__(
        self, lines: Sequence[FloatArray], points: Sequence[tuple[FloatArray, float]], grey: npt.NDArray[np.uint8]
    ) -> None:
        self._height, self._width = grey.shape
        self._centres = np.array([at for at, _ in points]).reshape(-1, 2)
        self._radii = np.array([radius for _, radius in points])
        self._starts = np.concatenate([line[:-1] for line in lines] or [np.zeros((0, 2))])
        self._ends = np.concatenate([line[1:] for line in lines] or [np.zeros((0, 2))])
        mask = Image.new("L", (-(-self._width // _GRID), -(-self._height // _GRID)), 0)
        draw = ImageDraw.Draw(mask)
        for line in lines:
            draw.line([(float(x) / _GRID, float(y) / _GRID) for x, y in line], fill=1, width=3)
        for (x, y), radius in points:
            r = radius + 1.0
            draw.ellipse([v / _GRID for v in (x - r, y - r, x + r, y + r)], fill=1)
        small = grey[::_GRID, ::_GRID].astype(np.float64) / 255.0
        self._blocked = _summed(np.asarray(mask, dtype=np.float64))
        self._bright = _summed(small)
        self._contrast = _summed(small**2)

    def free_places(self, one: Named, strangers: Sequence[FloatArray], reach: float) -> tuple[FloatArray, FloatArray]:
        """Where a label covers no line and no point, whatever other labels do.

        Parameters
        ----------
        one : Named
        strangers : sequence of ndarray, shape (N, 2)
            What other labels name: this one must not lie nearer to it.
        reach : float
            Distance from what it names.

        Returns
        -------
        boxes : ndarray, shape (B, 4)
        cost : ndarray, shape (B,)
        """
        boxes = self._candidates(one, reach)
        boxes = boxes[self._blocks(boxes) == 0.0]
        return boxes, self._cost(one, strangers, boxes, self._off(boxes))

    def place(
        self,
        one: Named,
        strangers: Sequence[FloatArray],
        free_places: Callable[[float], tuple[FloatArray, FloatArray]],
        taken: Sequence[Box],
        leaders: Sequence[FloatArray],
    ) -> Placed:
        """The best place for a label.

        Parameters
        ----------
        one, strangers
            As :meth:`free_places` takes them.
        free_places : callable
            What it gives for a reach.
        taken : sequence of Box
            Of other labels.
        leaders : sequence of ndarray of shape (2, 2)
            Of other labels.

        Returns
        -------
        Placed
            In pixels of the picture. Where no place is free, the one that covers least.
        """
        for reach in (_REACH, np.inf):
            boxes, cost = free_places(reach)
            free = _covers(boxes, taken, leaders) == 0.0
            if free.any():
                boxes, cost = boxes[free], cost[free]
                break
        else:
            boxes = self._candidates(one, np.inf)
            cost = self._cost(one, strangers, boxes, self.covering(boxes, taken, leaders))
        if len(cost) > _LOOKED_AT:
            best = np.argpartition(cost, _LOOKED_AT)[:_LOOKED_AT]
            boxes, cost = boxes[best], cost[best]
        leader, needed = _leaders(boxes, one.points)
        cost[needed] += self._crossed(leader[needed], taken)
        chosen = int(cost.argmin())
        return Placed(_box(boxes[chosen]), leader[chosen] if needed[chosen] else None)

    def _cost(self, one: Named, strangers: Sequence[FloatArray], boxes: FloatArray, covering: FloatArray) -> FloatArray:
        """Cost of boxes (B, 4), of which that of what they cover is known (B,)."""
        cost: FloatArray = covering + self.hiding(boxes)
        own = _gap(boxes, one.points)
        cost += 0.016 * np.maximum(0.0, own - _TOUCHING) + 0.05 * np.maximum(0.0, 8.0 - own)
        for line in strangers:
            cost += np.where(_gap(boxes, line) < own + 4.0, _STRANGER, 0.0)
        if one.centre is not None:
            middle = (boxes[:, :2] + boxes[:, 2:]) / 2.0
            radius = np.linalg.norm(one.points[0] - one.centre)
            cost += np.where(np.linalg.norm(middle - one.centre, axis=1) < radius, 0.4, 0.0)
        return cost

    def _candidates(self, one: Named, reach: float) -> FloatArray:
        """Boxes of the grid that lie in the picture and within reach."""
        step = _STEP * _GRID
        x = np.arange(_EDGE, max(self._width - one.width - _EDGE, _EDGE) + 1.0, step)
        y = np.arange(_EDGE, max(self._height - one.height - _EDGE, _EDGE) + 1.0, step)
        low, high = one.points.min(axis=0) - reach, one.points.max(axis=0) + reach
        near_x = x[(x + one.width >= low[0]) & (x <= high[0])]
        near_y = y[(y + one.height >= low[1]) & (y <= high[1])]
        left, top = np.meshgrid(near_x if len(near_x) else x, near_y if len(near_y) else y)
        corner = np.stack([left.ravel(), top.ravel()], axis=1)
        return np.concatenate([corner, corner + np.array([one.width, one.height])], axis=1)

    def covering(self, boxes: FloatArray, taken: Sequence[Box], leaders: Sequence[FloatArray]) -> FloatArray:
        """Cost of what must not be: to lie over lines, points, other labels or their leaders, or off the picture.

        Parameters
        ----------
        boxes : ndarray, shape (B, 4)
            Left, top, right, bottom in pixels of the picture.
        taken : sequence of Box
            Of other labels.
        leaders : sequence of ndarray of shape (2, 2)
            Of other labels.

        Returns
        -------
        ndarray, shape (B,)
            0 where a box is free, else ``_COVERS`` or more.
        """
        blocks = self._blocks(boxes)
        cost: FloatArray = np.where(blocks > 0.0, _COVERS + blocks, 0.0) + _COVERS * _covers(boxes, taken, leaders)
        return cost + self._off(boxes)

    def _off(self, boxes: FloatArray) -> FloatArray:
        """Cost (B,) of boxes (B, 4) that lie partly off the picture."""
        off = (boxes[:, :2] < 0.0).any(axis=1) | (boxes[:, 2:] > [self._width, self._height]).any(axis=1)
        return np.where(off, _COVERS, 0.0)

    def _blocks(self, boxes: FloatArray) -> FloatArray:
        """How much of lines and points lies below each box and close around it."""
        return _within(self._blocked, boxes + _AROUND)

    def hiding(self, boxes: FloatArray) -> FloatArray:
        """Cost (B,) of what should not be: bone below a box (B, 4), which is bright and full of edges."""
        area = np.maximum(((boxes[:, 2:] - boxes[:, :2]) / _GRID).prod(axis=1), 1.0)
        mean = _within(self._bright, boxes) / area
        spread = np.sqrt(np.maximum(0.0, _within(self._contrast, boxes) / area - mean**2))
        hidden: FloatArray = 2.0 * mean + 5.0 * spread
        return hidden

    def _crossed(self, leaders: FloatArray, taken: Sequence[Box]) -> FloatArray:
        """Costs of leaders (B, 2, 2): lines and labels that they run over, points that they pass."""
        # A leader ends on its own arc, often where that meets an axis; these do not count.
        start, end = leaders[:, 0], leaders[:, 0] + 0.94 * (leaders[:, 1] - leaders[:, 0])
        crossed = segments_cross(start[:, None], end[:, None], self._starts, self._ends).sum(axis=1)
        along = start[:, None] + np.linspace(0.0, 1.0, 20)[:, None] * (end - start)[:, None]
        squared = np.square(along[:, :, None] - self._centres).sum(axis=-1).min(axis=1, initial=np.inf)
        passed = (squared < np.square(self._radii + 3.0)).sum(axis=-1)
        cost: FloatArray = 0.8 * crossed + 0.6 * passed
        for box in taken:
            inside = np.logical_and(along > np.array(box[:2]), along < np.array(box[2:])).all(axis=-1)
            cost += np.where(inside.any(axis=-1), _COVERS, 0.0)
        return cost


def _covers(boxes: FloatArray, taken: Sequence[Box], leaders: Sequence[FloatArray]) -> FloatArray:
    """How many other boxes and leaders each box (B, 4) lies over, or too close to."""
    wide = boxes + _AROUND
    covers = np.zeros(len(boxes))
    for left, top, right, bottom in taken:
        covers += (wide[:, 0] <= right) & (wide[:, 2] >= left) & (wide[:, 1] <= bottom) & (wide[:, 3] >= top)
    for leader in leaders:
        covers += _gap(boxes, leader[0] + np.linspace(0.0, 1.0, 12)[:, None] * (leader[1] - leader[0])) < 2.0
    return covers


def _leaders(boxes: FloatArray, line: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """From each box (B, 4) to the nearest of a line's points, shape (B, 2, 2), and whether it stands so far away."""
    ends = np.clip(line, boxes[:, None, :2], boxes[:, None, 2:])
    lengths = np.linalg.norm(ends - line, axis=-1)
    nearest = lengths.argmin(axis=1)
    each = np.arange(len(boxes))
    return np.stack([ends[each, nearest], line[nearest]], axis=1), lengths[each, nearest] > _TOUCHING


def _at_ends(ends: FloatArray, width: float, height: float) -> FloatArray:
    """Boxes beyond and beside both ends of a line."""
    along = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    across = np.array([-along[1], along[0]])
    half = np.array([width, height]) / 2.0
    middles = []
    for end, outward in ((ends[0], -along), (ends[1], along)):
        for direction in (outward, outward + across, outward - across, across, -across):
            direction = direction / np.linalg.norm(direction)
            for gap in (9.0, 16.0, 24.0):
                # So far out that the box, seen along the direction, begins at the gap.
                middles.append(end + direction * (gap + float(np.abs(direction) @ half)))
    middle = np.array(middles)
    return np.concatenate([middle - half, middle + half], axis=1)


def _box(values: FloatArray) -> Box:
    left, top, right, bottom = (float(v) for v in values)
    return left, top, right, bottom


def _gap(boxes: FloatArray, line: FloatArray) -> FloatArray:
    """Distance of each box (B, 4) to the nearest of a line's points (N, 2), of which a dozen are looked at."""
    line = line[:: max(1, len(line) // 12)]
    x = np.maximum(np.maximum(boxes[:, None, 0] - line[:, 0], line[:, 0] - boxes[:, None, 2]), 0.0)
    y = np.maximum(np.maximum(boxes[:, None, 1] - line[:, 1], line[:, 1] - boxes[:, None, 3]), 0.0)
    gap: FloatArray = np.sqrt((x**2 + y**2).min(axis=1))
    return gap


def _summed(values: FloatArray) -> FloatArray:
    """Running sums over rows and columns, with a row and a column of 0 before."""
    sums = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    sums[1:, 1:] = values.cumsum(axis=0).cumsum(axis=1)
    return sums


def _within(sums: FloatArray, boxes: FloatArray) -> FloatArray:
    """Sum of the values below each box of the picture."""
    most = np.array(sums.shape[::-1]) - 1
    left, top = np.clip(np.floor(boxes[:, :2] / _GRID), 0, most).astype(int).T
    right, bottom = np.clip(np.ceil(boxes[:, 2:] / _GRID), 0, most).astype(int).T
    inside: FloatArray = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
    return inside
