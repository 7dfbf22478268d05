"""Where a cortex most likely is: the network's point and the edge found near it are two measurements of one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.settings import ShaftEdgeSettings
from raysplay.infer.shafts.cortex import CortexFits

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Belief:
    """Mean and variance of the cortex's place from the network's point, and the probability that the edge is it.

    All of one shape; places as shares of the shaft's width.
    """

    mean: FloatArray
    variance: FloatArray
    edge_right: FloatArray


def weigh(fits: CortexFits, doubt: FloatArray, pixel: FloatArray, settings: ShaftEdgeSettings) -> Belief:
    """Weigh the edge found on the film against the network's point.

    Four explanations of their distance are weighed by Bayes' rule, each of them normal: the edge is the cortex or it
    is something else that lay near the point; the network erred as it says, or some times more. Where the edge is the
    cortex both are combined by inverse variance; where it is not, the network's point stays. The mean and the variance
    of that mixture are returned, so an edge far from a point that claims to be sure moves it little and widens it.

    Parameters
    ----------
    fits : CortexFits
        The edges, as seen from the network's points.
    doubt : ndarray of their shape
        Standard deviation of the network's point across the shaft, after ``network_sd``.
    pixel : ndarray of their shape
        Size of a pixel of the film.
    settings : ShaftEdgeSettings

    Returns
    -------
    Belief
        ``mean`` 0 where ``strength`` is 0. All lengths are shares of the shaft's width.

    Examples
    --------
    A clear edge two of the network's standard deviations away, and nothing to be seen:

    >>> import numpy as np
    >>> from raysplay.infer.settings import reading_settings
    >>> settings = reading_settings().shaft_edges
    >>> fits = CortexFits(*np.array([[0.02, 0.02], [0.0, 0.0], [0.003, 0.003], [1.4, 0.0], [0.02, 0.02]]))
    >>> [round(float(x), 3) for x in weigh(fits, np.array([0.01, 0.01]), np.array([0.02, 0.02]), settings).mean]
    [0.011, 0.0]
    """
    seen = np.clip(fits.strength, 0.2, 1.6)
    edge = (
        settings.edge_sd**2
        + (settings.scatter_factor * fits.scatter / seen) ** 2
        + (settings.softness_sd * fits.softness) ** 2
        + (settings.pixel_sd * pixel) ** 2
    )
    right = np.where(fits.strength > 0, np.clip(settings.right * seen, 0.02, 0.95), 0.0)
    offset = fits.offset
    astray = (settings.astray_sd * doubt) ** 2
    explanations = []
    for share, times in (
        (1 - settings.gross_share, 1.0),
        (settings.gross_share, settings.gross_error),
    ):
        network = (times * doubt) ** 2
        both = network + edge
        gain = network / both
        explanations.append((share * right * _normal(offset, both), gain * offset, (1 - gain) * network))
        explanations.append((share * (1 - right) * _normal(offset, astray), 0 * offset, network))
    weight, mean, variance = (np.array(part) for part in zip(*explanations, strict=True))
    weight /= weight.sum(0)
    place = (weight * mean).sum(0)
    return Belief(place, (weight * (variance + (mean - place) ** 2)).sum(0), weight[0] + weight[2])


def _normal(distance: FloatArray, variance: FloatArray) -> FloatArray:
    """Density of the normal distribution, but for a factor; never 0, so that one explanation always remains."""
    return np.maximum(np.exp(-0.5 * distance**2 / variance), 1e-30) / np.sqrt(variance)
