"""A foot measured from points that somebody placed, without any network."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.records import FloatArray, Withheld
from raysplay.infer.results import MeasuredValue, measured_value
from raysplay.infer.user_protocol import user_protocol
from raysplay.measure import MeasureArray, measure_feet, measure_values, shown_side, to_foot_frame, why_withheld
from raysplay.measure.definition import MILLIMETRE, Measure
from raysplay.measure.sides import SIDE_WORDS, SIDES


class PointsError(RaysplayError, ValueError):
    """Points, a side or a pixel size that cannot be measured with; the message says which and why."""


def measure_points(
    points: Mapping[str, Sequence[float] | npt.NDArray[np.float64]],
    side: str,
    *,
    pixel_mm: float | tuple[float, float] | None = None,
    sd_pixels: float | None = None,
    measures: Iterable[str] | None = None,
    protocol: Path | str | None = None,
) -> dict[str, MeasuredValue]:
    """Measure a foot from its landmarks. A person confirms every number that is used in care; it is no diagnosis.

    No network has a part in it, no check looks at the foot, and nothing is decided over it. Whether the points lie
    where their definitions say, nobody but who placed them knows, so every number is marked unproven.

    Parameters
    ----------
    points : mapping of str to (x, y)
        By code of ``configs/landmarks.yaml``, or by the words that say there how the point is found. Pixels of the
        film, x along columns, y along rows downward. A point that is not placed is left out, or is ``nan`` in both.
    side : {'L', 'R'}
        As the picture shows it: R where a foot with its toes up has the great toe on the left. Of a film that was
        flipped that is not the patient's side. The points must show the same side, as far as they tell one: an angle
        would count the wrong way otherwise.
    pixel_mm : float or (float, float), optional
        Size of a pixel in mm, or distance of rows and of columns. Without, pixels count as square and lengths are
        withheld. On a film it is the size on the detector; the bones are smaller (measure/GUIDE.md, "Magnification").
    sd_pixels : float, optional
        Standard deviation of every point in x and in y, pixels, taken as independent; gives intervals of the level in
        ``decision.yaml``. Without, there are none.
    measures : iterable of str, optional
        Names as ``raysplay measures`` lists them; those that the protocol reports by default.
    protocol : path, optional
        Says what is reported and how axes are drawn; the shipped ``protocol.yaml`` by default.

    Returns
    -------
    dict of str to MeasuredValue
        In the order asked for. ``value`` is None where points are missing, and ``why`` names them.

    Raises
    ------
    PointsError
        If a point is unknown, stands twice or is no place, the side is neither L nor R or not the one that the points
        show, a size or spread is not positive, or there is no such measure.
    ConfigError
        If the protocol cannot be used.

    Examples
    --------
    Two axes at 10 degrees; definitions of the shaft construction in measure/REFERENCE.md:

    >>> points = {
    ...     "M1p_med": (34.0, 300.0), "M1p_lat": (46.0, 300.0), "M1d_med": (24.0, 200.0), "M1d_lat": (36.0, 200.0),
    ...     "M2p_med": (74.0, 300.0), "M2p_lat": (86.0, 300.0), "M2d_med": (74.0, 200.0), "M2d_lat": (86.0, 200.0),
    ... }
    >>> print(measure_points(points, "R")["ima"])
    IMA 5.7 deg, shaft, unproven
    """
    schema = landmark_schema()
    placed = _placed(points)
    if side not in SIDES:
        raise PointsError(f"side: must be 'L' or 'R', the side that the picture shows, not {side!r}")
    shown = shown_side(placed, schema)
    if shown is not None and shown != side:
        raise PointsError(
            f"side: the points show a {SIDE_WORDS[shown]} foot, not a {SIDE_WORDS[side]} one. Where the film is "
            "flipped, give the side that it shows; else medial and lateral points, or feet, were exchanged"
        )
    row_mm, column_mm = _pixel(pixel_mm)
    chosen = _chosen(measures, protocol)
    spread = None if sd_pixels is None else _positive("sd_pixels", sd_pixels) ** 2 * np.eye(2)
    covariance = None if spread is None else np.broadcast_to(spread, (1, len(schema), 2, 2))
    framed, carried = to_foot_frame(placed[None], covariance, [side], row_mm=row_mm, column_mm=column_mm)
    millimetres = pixel_mm is not None
    found: dict[str, MeasureArray] = {}
    if carried is not None:
        level = decision_settings().interval.level
        found = measure_feet(framed, carried, schema, level=level, measures=chosen, millimetres=millimetres)
    values = measure_values(framed, schema, measures=chosen, millimetres=millimetres)
    result = {}
    for measure in chosen:
        value = values[measure.name]
        one = found.get(measure.name)
        low, high = (math.nan, math.nan) if one is None else (float(one.low[0]), float(one.high[0]))
        (why,) = why_withheld(value, framed, schema, measure, millimetres=millimetres)
        no_length = measure.unit == MILLIMETRE and not millimetres and why.startswith("no millimetres")
        withheld = (Withheld.NO_MILLIMETRES if no_length else Withheld.NO_POINTS) if why else None
        numbers = float(value[0]), low, high
        result[measure.name] = measured_value(measure, numbers, False, withheld=withheld, why=why)
    return result


def _placed(points: Mapping[str, Sequence[float] | npt.NDArray[np.float64]]) -> FloatArray:
    """Points in schema order, shape (L, 2); ``nan`` where not placed."""
    schema = landmark_schema()
    known = {name: i for names in (landmark_descriptions(), schema.codes) for i, name in enumerate(names)}
    placed = np.full((len(schema), 2), np.nan)
    seen: dict[int, str] = {}
    for name, place in points.items():
        if name not in known:
            raise PointsError(f"points: there is no landmark {name!r}; configs/landmarks.yaml lists them")
        index = known[name]
        if index in seen:
            raise PointsError(f"points: {schema.codes[index]} stands twice")
        seen[index] = name
        try:
            where = np.asarray(place, dtype=np.float64)
        except (TypeError, ValueError) as error:
            raise PointsError(f"points: {schema.codes[index]} is no pair of numbers") from error
        if where.shape != (2,) or np.isinf(where).any() or np.isnan(where).sum() == 1:
            raise PointsError(f"points: {schema.codes[index]} must be x and y in pixels, or nan in both")
        placed[index] = where
    return placed


def _pixel(size: float | tuple[float, float] | None) -> tuple[float | None, float | None]:
    """Distance of rows and of columns, mm."""
    if size is None:
        return None, None
    if isinstance(size, tuple):
        if len(size) != 2:
            raise PointsError("pixel_mm: must be one number, or the distance of rows and that of columns")
        return _positive("pixel_mm", size[0]), _positive("pixel_mm", size[1])
    one = _positive("pixel_mm", size)
    return one, one


def _positive(name: str, number: float) -> float:
    try:
        value = float(number)
    except (TypeError, ValueError) as error:
        raise PointsError(f"{name}: must be a number, not {number!r}") from error
    if not (math.isfinite(value) and value > 0.0):
        raise PointsError(f"{name}: must be positive and finite, not {value:g}")
    return value


def _chosen(names: Iterable[str] | None, protocol: Path | str | None) -> tuple[Measure, ...]:
    read = user_protocol(protocol)
    if names is None:
        return read.reported_measures()
    names = (names,) if isinstance(names, str) else tuple(names)
    if len(set(names)) != len(names):
        raise PointsError("measures: one stands twice")
    chosen = []
    for name in names:
        try:
            chosen.append(read.measure(name))
        except KeyError as error:
            raise PointsError(f"measures: there is no measure {name!r}; raysplay measures lists them") from error
    return tuple(chosen)
