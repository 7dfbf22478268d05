"""Congruence of the first metatarsophalangeal joint in words."""

from __future__ import annotations

from enum import Enum

import numpy as np
import numpy.typing as npt

from raysplay.measure.articular_angles import congruency_index, first_joint_angle
from raysplay.measure.axes import first_metatarsal_surface, offset, proximal_phalanx_surface
from raysplay.measure.definition import RATIO, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray, crossing
from raysplay.measure.propagate import measure_values
from raysplay.measure.schema import LandmarkSchema


class Congruence(Enum):
    """Classes of Piggott, JBJS Br 1960;42:749; their wording is from memory."""

    CONGRUENT = "congruent"
    """Surfaces parallel and centred on each other."""
    DEVIATED = "deviated"
    """The lines of the surfaces meet outside the joint."""
    SUBLUXED = "subluxed"
    """The lines of the surfaces cross within the joint."""
    DISPLACED = "parallel but displaced"
    """Surfaces parallel but not centred: none of the three; left to a person."""
    WITHHELD = ""
    """A landmark is missing."""


def joint_congruence(
    points: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    parallel_within: float,
    covered_from: float,
    visible: npt.ArrayLike | None = None,
) -> list[Congruence]:
    """Class of every foot's joint, from the two articular lines.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        Right-foot frame, in schema order.
    schema : LandmarkSchema
    parallel_within : float
        Joint angle in degrees, either way, up to which the surfaces count as parallel.
    covered_from : float
        Congruency index from which they count as centred.
    visible : array_like of bool, shape (N, L), or None

    Returns
    -------
    list of Congruence, length N

    Notes
    -----
    "Within the joint" is taken as between the ends of either surface (this project's reading). Readers agree on these
    classes only moderately (Fleiss kappa 0.50 to 0.63, J Foot Ankle Surg 2019, S1067-2516(18)30527-1).

    Examples
    --------
    >>> schema = LandmarkSchema(("M1_art_med", "M1_art_lat", "PP_art_med", "PP_art_lat"), ("a", "a", "b", "b"))
    >>> foot = [[-10, 60], [10, 60], [-9, 63], [8, 63]]
    >>> joint_congruence([foot], schema, parallel_within=10.67, covered_from=0.765)[0].value
    'congruent'
    """
    read = measure_values(
        points,
        schema,
        visible=visible,
        measures=[first_joint_angle(), congruency_index(), *(_crossing_place(first) for first in (True, False))],
    )
    angle, covered = np.abs(read["mtp1_joint"]), read["congruency_index"]
    within = np.zeros(len(angle), dtype=np.bool_)
    for name in ("on_metatarsal", "on_phalanx"):
        within |= (read[name] >= 0.0) & (read[name] <= 1.0)
    classes = []
    for foot in range(len(angle)):
        if np.isnan(angle[foot]) or np.isnan(covered[foot]):
            classes.append(Congruence.WITHHELD)
        elif angle[foot] <= parallel_within:
            classes.append(Congruence.CONGRUENT if covered[foot] >= covered_from else Congruence.DISPLACED)
        else:
            classes.append(Congruence.SUBLUXED if within[foot] else Congruence.DEVIATED)
    return classes


def _crossing_place(on_metatarsal: bool) -> Measure:
    """Where on one surface, in its lengths from the medial end, the line of the other crosses it."""
    own, other = first_metatarsal_surface(), proximal_phalanx_surface()
    if not on_metatarsal:
        own, other = other, own

    def place(along: FloatArray, start: FloatArray, line: FloatArray) -> FloatArray:
        return crossing(along, start, line)

    return Measure(
        name="on_metatarsal" if on_metatarsal else "on_phalanx",
        title="crossing of the articular lines",
        abbreviation="crossing",
        unit=RATIO,
        construction="direct",
        vectors=(own, offset("start of the other surface", own.start, other.start), other),
        function=place,
        definition="where the line of one surface crosses the other, in lengths of that from its medial end",
        source="step of the class",
        evidence=Evidence.PROPOSED,
    )
