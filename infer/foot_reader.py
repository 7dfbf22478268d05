"""Finds the feet on a film and places their landmarks, with the two networks."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.accelerator.looking import LooksAtFilms
from raysplay.infer.films.film import Film
from raysplay.infer.network.graphs import LANDMARKS, LOCATOR, MAP
from raysplay.infer.network.loaded import Picture, load_network
from raysplay.infer.network.locator_map import UNIT
from raysplay.infer.network.weights_file import network_of
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.infer.settings import ReadingSettings, reading_settings
from raysplay.infer.shafts.refine import refine_shafts
from raysplay.infer.shipped_weights import of_network, usual_reader
from raysplay.infer.spending import add_operations, stage
from raysplay.infer.warp import crop, similarity, transform_covariance, transform_points

FloatArray = npt.NDArray[np.float64]


class FootReader:
    """Both networks, ready to read films.

    Parameters
    ----------
    locator_weights, landmark_weights : Path
    settings : ReadingSettings, optional
        How feet are found and cut out; the shipped settings by default.
    threads : int, optional
        How many films may be looked at at once, each on one thread; all cores by default. Where torch runs the
        networks, its own threads, and one film at a time.
    runtime : {'onnx', 'torch'}, optional
        What runs the networks, see :func:`~raysplay.infer.network.loaded.load_network`.
    accelerator : LooksAtFilms, optional
        What runs these networks and resamples films for them, instead of this processor.

    Attributes
    ----------
    digests : dict of str to str
        SHA-256 of weights and graphs by name.
    at_once : int
        Films that may be looked at at once.

    Raises
    ------
    WeightsError
        If a weights file cannot be used.
    """

    def __init__(
        self,
        locator_weights: Path,
        landmark_weights: Path,
        settings: ReadingSettings | None = None,
        threads: int | None = None,
        runtime: str | None = None,
        accelerator: LooksAtFilms | None = None,
    ) -> None:
        self.settings = settings or reading_settings()
        self._schema = landmark_schema()
        self._anchor_index = [self._schema.index(a.code) for a in self.settings.anchors]
        self._accelerator = accelerator
        if accelerator is not None:
            self.digests, self.at_once = dict(accelerator.digests), accelerator.at_once
        else:
            self._load(locator_weights, landmark_weights, runtime, threads)
        # Only now: of files that are missing, the first that is needed is named.
        reader = self.settings.reader_of(network_of(landmark_weights))
        self._again_beyond = 0.0 if reader is None else reader.again_beyond

    def _load(self, locator_weights: Path, landmark_weights: Path, runtime: str | None, threads: int | None) -> None:
        locator, landmarks = (
            load_network(weights, reads, self.settings, runtime, threads)
            for weights, reads in ((locator_weights, LOCATOR), (landmark_weights, LANDMARKS))
        )
        self._locator, self._landmarks = locator.read, landmarks.read
        self.digests = {**locator.digests, **landmarks.digests}
        by_torch = "torch" in (locator.runtime, landmarks.runtime)
        self.at_once = 1 if by_torch else threads or usable_cores()
        self._operations = {LOCATOR: locator.flops, LANDMARKS: landmarks.flops}

    @property
    def accelerator(self) -> Mapping[str, str] | None:
        """What the accelerator says of itself, where one runs the networks."""
        return None if self._accelerator is None else self._accelerator.about

    @classmethod
    def shipped(cls, threads: int | None = None) -> FootReader:
        """The reader with the weights that come with the package."""
        return cls(*cls.shipped_weights(), threads=threads)

    @staticmethod
    def shipped_weights() -> tuple[Path, Path]:
        """Locator's and landmark network's weights of the usual reader."""
        usual = usual_reader()
        return of_network(usual.locator), of_network(usual.landmarks)

    @classmethod
    def by_landmarks(cls, weights: Path, threads: int | None = None) -> FootReader:
        """The reader with these weights for the landmarks, and the shipped locator that belongs to their network.

        Raises
        ------
        WeightsError
            If a weights file cannot be used.
        """
        return cls(*cls.weights_by_landmarks(weights), threads=threads)

    @classmethod
    def weights_by_landmarks(cls, weights: Path | None) -> tuple[Path, Path]:
        """Locator's and landmark network's weights of the reader of :meth:`by_landmarks`; None: the usual one's.

        Raises
        ------
        WeightsError
            If the file cannot be used.
        """
        if weights is None:
            return cls.shipped_weights()
        reader = reading_settings().reader_of(network_of(weights)) or usual_reader()
        return of_network(reader.locator), weights

    def find(self, film: Film) -> list[FoundFoot]:
        """Every foot on the film, surest first; at most ``feet_max`` of the settings.

        Where there is none, the film is looked at again with a margin round it, for feet that its edge cuts off.
        """
        return self._find(film, 0.0, self.settings.score_min) or [
            replace(foot, reaches_beyond=True)
            for foot in self._find(film, self.settings.margin, self.settings.score_min_beyond)
        ]

    def _find(self, film: Film, margin: float, score_min: float) -> list[FoundFoot]:
        output, film_from_square = self._located(film, margin)
        found: list[FoundFoot] = []
        centres: list[tuple[FloatArray, float]] = []
        for row, column, score in self._peaks(output, score_min):
            anchors, left, view = self._at_peak(output, row, column)
            centre = anchors.mean(0)
            length = float(np.linalg.norm(anchors.max(0) - anchors.min(0)))
            if any(np.linalg.norm(centre - c) < self.settings.same_foot * max(length, n) for c, n in centres):
                continue
            placed = self._lay(anchors, left > 0.5)
            if placed is None:
                continue
            square_from_crop, residual = placed
            mirrored = self._lay(anchors, left <= 0.5)
            probability = max(left, 1 - left)
            if mirrored is not None and mirrored[1] < residual:
                # The anchors lie as on the other foot: the side is open.
                probability = min(probability, 0.5)
            centres.append((centre, length))
            found.append(
                FoundFoot(
                    film_from_crop=film_from_square @ square_from_crop,
                    side="L" if left > 0.5 else "R",
                    side_probability=float(probability),
                    score=score,
                    view=view,
                )
            )
            if len(found) == self.settings.feet_max:
                break
        return found

    def _located(self, film: Film, margin: float) -> tuple[Picture, FloatArray]:
        """The locator's map of a film, and the matrix (3, 3) from its square to the film."""
        if self._accelerator is not None:
            film_from_square = _film_from_square(film, self.settings.film_side, margin)
            with stage("accelerator"):
                return self._accelerator.locate(film.pixels, film_from_square), film_from_square
        small, film_from_square = _film_square(film, self.settings.film_side, margin)
        add_operations(self._operations[LOCATOR])
        return self._locator(small)[MAP], film_from_square

    def _peaks(self, output: Picture, score_min: float) -> list[tuple[int, int, float]]:
        """Cells (row, column) where the locator's score (0 to 1) is highest among its neighbours, surest first."""
        heat = _sigmoid(output[0])
        peak = heat == maximum_filter(heat, 3)
        candidates = np.argwhere(peak & (heat >= score_min))
        scores = heat[candidates[:, 0], candidates[:, 1]]
        order = np.argsort(-scores, kind="stable")
        return [(int(row), int(column), float(heat[row, column])) for row, column in candidates[order]]

    def _at_peak(self, output: Picture, row: int, column: int) -> tuple[FloatArray, float, dict[str, float]]:
        """Anchors (A, 2) in the square, probability of a left foot and of each view, averaged round the peak."""
        rows, columns = output.shape[1:]
        count = len(self.settings.anchors)
        stride = self.settings.film_side / rows
        r0, r1 = max(0, row - 1), min(rows, row + 2)
        c0, c1 = max(0, column - 1), min(columns, column + 2)
        window = output[:, r0:r1, c0:c1].astype(np.float64)
        weight = _sigmoid(window[0])
        weight = weight / weight.sum()
        y, x = (np.mgrid[r0:r1, c0:c1] + 0.5) * stride - 0.5
        offsets = window[1 : 1 + 2 * count].reshape(count, 2, r1 - r0, c1 - c0) * UNIT
        anchors = ((offsets + np.stack([x, y])) * weight).sum((2, 3))
        head = (window[1 + 2 * count :] * weight).sum((1, 2))
        return anchors, float(_sigmoid(head[0])), _shares(VIEWS, head[1:])

    def _mirror(self) -> FloatArray:
        return np.array([[-1.0, 0, self.settings.crop_columns - 1], [0, 1, 0], [0, 0, 1]])

    def _lay(
        self, anchors: FloatArray, left: bool, weight: FloatArray | None = None
    ) -> tuple[FloatArray, float] | None:
        """The crop laid over anchors, and how badly it fits as a share of the crop; None if they coincide."""
        template, weights = self.settings.anchor_points, self.settings.anchor_weights
        if weight is not None:
            weights = weights * weight
        mirror = self._mirror() if left else np.eye(3)
        source = transform_points(mirror, template)
        try:
            matrix = similarity(source, anchors, weights)
        except ValueError:
            return None
        scale = np.sqrt(abs(np.linalg.det(matrix[:2, :2])))
        if not np.isfinite(scale) or scale < 1e-3:
            return None
        gap = transform_points(matrix, source) - anchors
        residual = float(np.sqrt((weights * (gap**2).sum(1)).sum() / weights.sum()) / (scale * self.settings.crop_rows))
        return matrix @ mirror, residual

    def landmarks(self, film: Film, foot: FoundFoot) -> FootLandmarks:
        """Landmarks of one found foot, with the view as seen at full resolution.

        The crop is laid over the foot again by the landmarks of the first pass, then read once more, unless it hardly
        moved and the reader does without. Cortices of the shafts are then refined on the film's own pixels.
        """
        film_from_even = _film_from_even(film)
        even_from_film = np.linalg.inv(film_from_even).astype(np.float64)
        read = self._read(film, foot)
        for _ in range(self.settings.passes - 1):
            even = transform_points(even_from_film, read.points[self._anchor_index])
            weight = np.maximum(read.confidence[self._anchor_index], 0.02)
            placed = self._lay(even, foot.side == "L", weight)
            if placed is None:
                break
            laid = film_from_even @ placed[0]
            if _moved(read.foot.film_from_crop, laid, self.settings.crop_size) < self._again_beyond:
                break
            read = self._read(film, replace(foot, film_from_crop=laid))
        if self.settings.shaft_edges is not None:
            with stage("refine"):
                read = refine_shafts(film, read, self._schema, self.settings.shaft_edges)
        rows, columns = film.pixels.shape
        off = (read.points < -0.5).any(-1) | (read.points[:, 0] > columns - 0.5) | (read.points[:, 1] > rows - 0.5)
        return replace(read, confidence=np.where(off, 0.0, read.confidence))

    def _read(self, film: Film, foot: FoundFoot) -> FootLandmarks:
        """One pass of the landmark network over the foot's crop; points in pixels of the film."""
        matrix = foot.film_from_crop
        if self._accelerator is not None:
            with stage("accelerator"):
                seen = self._accelerator.landmarks(film.pixels, matrix)
        else:
            add_operations(self._operations[LANDMARKS])
            seen = self._landmarks(crop(film.pixels, matrix, self.settings.crop_size))
        in_crop = seen["points"].astype(np.float64)
        l11, l21, l22 = seen["spread"].astype(np.float64).T
        factor = np.zeros((len(in_crop), 2, 2))
        factor[:, 0, 0], factor[:, 1, 0], factor[:, 1, 1] = l11, l21, l22
        return FootLandmarks(
            replace(foot, view=_shares(VIEWS, seen["view"])),
            transform_points(matrix, in_crop),
            transform_covariance(matrix, factor @ factor.transpose(0, 2, 1)),
            _sigmoid(seen["confidence"]),
            dict(zip(CONDITIONS, _sigmoid(seen["conditions"]).tolist(), strict=True)),
            float(seen["strangeness"]),
        )


def _moved(before: FloatArray, after: FloatArray, size: tuple[int, int]) -> float:
    """How far a crop of (rows, columns) moved, in its pixels: root mean square over its corners."""
    rows, columns = size
    corners = np.array([[0.0, 0.0], [columns, 0.0], [0.0, rows], [columns, rows]])
    gap = transform_points(np.linalg.inv(before) @ after, corners) - corners
    return float(np.sqrt((gap**2).sum(1).mean()))


def usable_cores() -> int:
    """Cores that this process may run on."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def _sigmoid(logits: npt.ArrayLike) -> FloatArray:
    share: FloatArray = 1 / (1 + np.exp(-np.asarray(logits, dtype=np.float64)))
    return share


def _shares(names: Sequence[str], logits: npt.ArrayLike) -> dict[str, float]:
    """Probabilities that add up to one, by name."""
    exact = np.asarray(logits, dtype=np.float64)
    parts = np.exp(exact - exact.max())
    return dict(zip(names, (parts / parts.sum()).tolist(), strict=True))


def _film_square(film: Film, side: int, margin: float = 0.0) -> tuple[npt.NDArray[np.float32], FloatArray]:
    """The film in a square of ``side`` pixels, 0 beyond its edges, and the matrix (3, 3) from there to the film.

    ``margin`` is left round it on all sides, in shares of its longer side.
    """
    film_from_square = _film_from_square(film, side, margin)
    small = crop(film.pixels, film_from_square, (side, side))
    rows, columns = film.pixels.shape
    place = np.arange(side)
    x = film_from_square[0, 0] * place + film_from_square[0, 2]
    y = film_from_square[1, 1] * place + film_from_square[1, 2]
    small[(y < -0.5) | (y >= rows - 0.5)] = 0.0
    small[:, (x < -0.5) | (x >= columns - 0.5)] = 0.0
    return small, film_from_square


def _film_from_square(film: Film, side: int, margin: float) -> FloatArray:
    """From the locator's square to the film."""
    return _film_from_even(film) @ _even_from_square(film, side, margin)


def _film_from_even(film: Film) -> FloatArray:
    """From a plane where pixels are square to the pixels of the film."""
    return np.diag([1.0, 1.0 / film.spacing.aspect, 1.0])


def _even_from_square(film: Film, side: int, margin: float) -> FloatArray:
    """From the locator's square to the plane of square pixels; the film's middle is the square's middle."""
    rows, columns = film.pixels.shape
    height = rows * film.spacing.aspect
    scale = max(height, columns) * (1.0 + 2.0 * margin) / side
    shift_x = (columns - 1) / 2 - scale * (side - 1) / 2
    shift_y = (height - film.spacing.aspect) / 2 - scale * (side - 1) / 2
    return np.array([[scale, 0, shift_x], [0, scale, shift_y], [0, 0, 1.0]])
