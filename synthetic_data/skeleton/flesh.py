"""Soft parts round the bones of a skeleton, as thick, as soft-edged and as round as a trial asks for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.soft_tissue import (
    RINGS,
    SPOKES,
    TUBES,
    X_AXIS,
    Z_AXIS,
    skin_tube,
    soft_tissue,
)
from raysplay.synthetic_data.skeleton.flesh_shape import FleshShape

FloatArray = npt.NDArray[np.float64]

ROUND_MM = 10.0
"""Thickness of soft parts that lie round all bones together, at once the usual; this project's choice, no source."""

_SQUARE = 2.2
"""Exponent of their section, a little squarer than an ellipse."""


LAYER_MM, LAYER_THICK_MM = 11.0, 40.0
"""How far a layer of soft parts reaches from the shadow of the bones, at once the usual, and how thick it is; this
project's choice, no source."""


@dataclass(frozen=True)
class Laid:
    """Soft parts of one foot, as :class:`~raysplay.synthetic_data.projection.shadow.Subject` takes them.

    Attributes
    ----------
    skin : ndarray, shape (TUBES, RINGS, SPOKES, 3)
        Points of the tubes, mm.
    skin_edge : float
        Mm over which their edge fades.
    layer : (float, float) or None
        How far an even layer in their place reaches from the bones' shadow, and how thick it is, mm.
    """

    skin: FloatArray
    skin_edge: float
    layer: tuple[float, float] | None


@dataclass(frozen=True)
class Flesh:
    """How the soft parts of a trial's feet lie.

    Attributes
    ----------
    thick : (float, float), optional
        How many times as thick as usual, drawn evenly between; as the generator draws it where left out.
    edge : (float, float)
        Mm over which the edge of the skin fades (standard deviation), drawn evenly between.
    shape : FleshShape
    """

    thick: tuple[float, float] | None = None
    edge: tuple[float, float] = (0.0, 0.0)
    shape: FleshShape = FleshShape.FOOT

    def lay(
        self,
        rng: np.random.Generator,
        own: np.random.Generator,
        person: Person,
        foot: PosedFoot,
        surfaces: FloatArray,
    ) -> Laid:
        """Soft parts of one foot.

        Parameters
        ----------
        rng : numpy.random.Generator
            What the generator itself draws soft parts from.
        own : numpy.random.Generator
            For what a trial asks for, so that the rest of a film stays the same.
        person : Person
        foot : PosedFoot
        surfaces : ndarray, shape (N, RINGS, SPOKES, 3)
            Outer surfaces of the bones in their own frames, mm; ``nan`` for bones that the skeleton lacks.

        Returns
        -------
        Laid
        """
        thick = None if self.thick is None else float(own.uniform(*self.thick))
        times = 1.0 if thick is None else thick
        skin, edge = soft_tissue(rng, person, foot, thick), float(own.uniform(*self.edge))
        if self.shape is FleshShape.ROUND:
            return Laid(_round(foot, surfaces, ROUND_MM * person.size * times), edge, None)
        if self.shape is FleshShape.LAYER:
            # Thick soft parts are wider and higher; less high, since the sole is flat.
            high = LAYER_THICK_MM * float(np.sqrt(times))
            return Laid(skin, edge, (LAYER_MM * person.size * times, person.size * high))
        return Laid(skin, edge, None)


def _round(foot: PosedFoot, surfaces: FloatArray, thick: float) -> FloatArray:
    """One tube about all bones, ``thick`` mm from them; the other tubes have no extent."""
    world = foot.origin[:, None, None] + np.einsum("nij,nrsj->nrsi", foot.frame, surfaces)
    points = world[np.isfinite(world).all(-1)]
    low, high = points[:, 1].min(), points[:, 1].max()
    places = np.linspace(low, high, 14)
    reach = places[1] - places[0]
    rows = []
    for place in places:
        near = points[np.abs(points[:, 1] - place) < reach]
        rows.append([*near.min(0), *near.max(0)])
    table = np.array([rows[0], *rows, rows[-1]])
    along = np.array([low - thick, *places, high + thick])
    centre = np.stack(
        [0.5 * (table[:, 0] + table[:, 3]), along, 0.5 * (table[:, 2] + table[:, 5])],
        axis=1,
    )
    width, height = 0.5 * (table[:, 3] - table[:, 0]) + thick, 0.5 * (table[:, 5] - table[:, 2]) + thick
    body = skin_tube(centre, width, height, X_AXIS, Z_AXIS, _SQUARE)
    skin = np.broadcast_to(body.mean((0, 1)), (TUBES, RINGS, SPOKES, 3)).copy()
    skin[0] = body
    return skin
