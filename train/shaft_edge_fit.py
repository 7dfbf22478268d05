"""Fits ``shaft_edges`` of ``configs/reading.yaml``: ``python -m raysplay.train.shaft_edge_fit ARCHIVE...``.

An ARCHIVE is what ``raysplay synthesize`` writes. Each counts alike, however many feet it holds. Printed are the lines
that the fit can tell; what it cannot (where edges are looked for, when a bone is left alone, what a wrong edge looks
like) stays as it is. Needed anew whenever the landmark network has learned its covariances anew.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from raysplay.configs import landmark_schema
from raysplay.infer.compare.truth import TrueFoot, read_truth
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.settings import ShaftEdgeSettings, reading_settings
from raysplay.infer.shafts.refine import Sight, look
from raysplay.infer.user_table import UserTableError
from raysplay.infer.warp import transform_points
from raysplay.synthetic_data.archive import FILMS

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CortexErrors:
    """Cortices whose truth is known: all arrays (N,), lengths as shares of the shaft's width, inward positive.

    ``network`` and ``edge`` are errors of the network's point and of the edge found near it; ``doubt`` is the network's
    own standard deviation; the rest is as in ``CortexFits``, ``pixel`` the size of a pixel.
    """

    network: FloatArray
    edge: FloatArray
    doubt: FloatArray
    scatter: FloatArray
    strength: FloatArray
    softness: FloatArray
    pixel: FloatArray


def errors_of(sight: Sight, truth: FloatArray) -> CortexErrors:
    """Errors of one foot; ``truth`` (B, 4, 2) are the true corners in the plane of the shafts, ``nan`` if unknown.

    The true cortex is followed from its own level to the network's along the slope that the film shows.
    """
    shafts, fits = sight.shafts, sight.fits
    inward = np.array([1.0, -1.0])[:, None]
    off = truth - shafts.middle[:, None]
    beyond = shafts.level * shafts.length[:, None] - np.einsum("bkc,bc->bk", off, shafts.axis)
    outside = shafts.aside - np.einsum("bkc,bc->bk", off, shafts.across)
    by_side = (a.reshape(-1, 2, 2).swapaxes(1, 2) for a in (beyond, outside))
    along, aside = by_side
    width, length = shafts.width[:, None, None], shafts.length[:, None, None]
    slope = shafts.slope[:, :, None] + inward * fits.slope * width / length
    network = inward * (aside - slope * along) / width
    columns = network, network + fits.offset, sight.doubt, fits.scatter, fits.strength, fits.softness, sight.pixel
    seen = np.isfinite(network) & (np.abs(network) < 0.5) & (fits.strength > 0)
    return CortexErrors(*(np.asarray(column, dtype=np.float64)[seen] for column in columns))


def gather(archive: Path, reader: FootReader, settings: ShaftEdgeSettings) -> CortexErrors:
    """Errors of every dorsoplantar foot of an archive that the reader, set to leave shafts alone, finds."""
    schema = landmark_schema()
    plain = settings.model_copy(update={"network_sd": 1.0})
    by_film: dict[str, list[TrueFoot]] = defaultdict(list)
    for foot in read_truth(archive / "truth.csv"):
        if foot.view == "dp" and foot.landmarks and foot.centre is not None and foot.size is not None:
            by_film[foot.film].append(foot)
    parts: list[CortexErrors] = []
    with FilmReader() as opener:
        for name, feet in by_film.items():
            film = opener.read(archive / FILMS / name)
            even_from_film = np.diag([1.0, film.spacing.aspect, 1.0])
            for found in reader.find(film):
                read = reader.landmarks(film, found)
                middle = np.nanmean(read.points, axis=0)
                true = next((t for t in feet if t.side == found.side and _in_box(middle, t)), None)
                sight = look(film, read, schema, plain)
                if true is not None and sight is not None:
                    places = np.array([true.landmarks.get(code, (np.nan, np.nan)) for code in schema.codes])
                    parts.append(errors_of(sight, transform_points(even_from_film, places[sight.corners])))
    return CortexErrors(*(np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])))


def _in_box(place: FloatArray, true: TrueFoot) -> bool:
    assert true.centre is not None
    assert true.size is not None
    return bool((np.abs(place - true.centre) < np.array(true.size) / 2).all())


def fit(groups: list[CortexErrors], start: ShaftEdgeSettings) -> ShaftEdgeSettings:
    """Settings under which the errors are likeliest, each group counting alike.

    The network's error has two normal parts, its usual one and a gross one; the edge's is normal with a variance from
    how it looks, or else the edge lies somewhere near the network's point (``infer/shafts/belief.py``).
    """
    weight = np.concatenate([np.full(len(group.edge), 1 / len(group.edge)) for group in groups])
    e = CortexErrors(*(np.concatenate([getattr(group, name) for group in groups]) for name in vars(groups[0])))
    strength = np.clip(e.strength, 0.2, 1.6)

    def mixture(share: FloatArray | float, first: FloatArray, second: FloatArray) -> float:
        return -float(weight @ np.logaddexp(np.log(share) + first, np.log1p(-share) + second))

    def network(x: FloatArray) -> float:
        sd, gross = np.exp(x[0]) * e.doubt, 1 / (1 + np.exp(-x[1]))
        return mixture(gross, _log_normal(e.network, start.gross_error * sd), _log_normal(e.network, sd))

    found = minimize(network, [np.log(start.network_sd), np.log(start.gross_share)], method="Nelder-Mead").x
    network_sd, gross_share = float(np.exp(found[0])), float(1 / (1 + np.exp(-found[1])))

    def edge(x: FloatArray) -> float:
        floor, scatter, softness, pixel, right = np.exp(x)
        parts = floor, scatter * e.scatter / strength, softness * e.softness, pixel * e.pixel
        sd = np.sqrt(sum(np.square(part) for part in parts))
        astray = _log_normal(e.edge - e.network, start.astray_sd * network_sd * e.doubt)
        return mixture(np.clip(right * strength, 0.02, 0.95), _log_normal(e.edge, sd), astray)

    names = ("edge_sd", "scatter_factor", "softness_sd", "pixel_sd", "right")
    told = minimize(
        edge, [np.log(getattr(start, name)) for name in names], method="Nelder-Mead", options={"maxiter": 4000}
    ).x
    values = {name: float(np.exp(x)) for name, x in zip(names, told, strict=True)}
    return start.model_copy(update={"network_sd": network_sd, "gross_share": gross_share, **values})


def _log_normal(distance: FloatArray, sd: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (distance / sd) ** 2 - np.log(sd))


if __name__ == "__main__":
    shipped = reading_settings().shaft_edges
    if shipped is None:
        sys.exit("reading.yaml has no shaft_edges to start from")
    plain_reader = FootReader.shipped(threads=1)
    plain_reader.settings = plain_reader.settings.model_copy(update={"shaft_edges": None})
    try:
        fitted = fit([gather(Path(name), plain_reader, shipped) for name in sys.argv[1:]], shipped)
    except UserTableError as error:
        print(f"Error: {error}", file=sys.stderr)
        sys.exit(2)
    for key, value in fitted.model_dump().items():
        print(f"  {key}: {value:.3g}")
