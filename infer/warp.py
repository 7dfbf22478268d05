"""Resampling of pictures by one 3 x 3 matrix; pixel centres stand at integers, for pixels and points alike."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import affine_transform

FloatArray = npt.NDArray[np.float64]


def transform_points(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Apply an affine matrix to points.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        Maps pixels of one picture to pixels of another.
    points : ndarray, shape (..., 2)
        x along columns, y along rows.

    Returns
    -------
    ndarray, shape (..., 2)
    """
    return points @ matrix[:2, :2].T + matrix[:2, 2]


def transform_covariance(matrix: FloatArray, covariance: FloatArray) -> FloatArray:
    """Carry covariances through the linear part of an affine matrix.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
    covariance : ndarray, shape (..., 2, 2)
        In the square of the source's pixels.

    Returns
    -------
    ndarray, shape (..., 2, 2)
        In the square of the target's pixels.
    """
    linear = matrix[:2, :2]
    return linear @ covariance @ linear.T


def similarity(source: FloatArray, target: FloatArray, weight: FloatArray | None = None) -> FloatArray:
    """Least-squares similarity without reflection that carries one set of points to another.

    Parameters
    ----------
    source, target : ndarray, shape (K, 2)
        x and y, each in the pixels of its own picture, pair by pair.
    weight : ndarray, shape (K,), optional
        Of each pair's squared distance, not below zero; all alike by default.

    Returns
    -------
    ndarray, shape (3, 3)
        Maps pixels of the source to pixels of the target.

    Raises
    ------
    ValueError
        If all source points that have weight coincide.
    """
    w = np.ones(len(source)) if weight is None else weight
    w = (w / w.sum())[:, None]
    mean_s, mean_t = (w * source).sum(0), (w * target).sum(0)
    s, t = source - mean_s, target - mean_t
    spread = float((w * s * s).sum())
    if spread < 1e-12:
        raise ValueError("points coincide: no similarity is defined")
    a = float((w * (s * t)).sum()) / spread
    b = float((w * (s[:, :1] * t[:, 1:] - s[:, 1:] * t[:, :1])).sum()) / spread
    matrix = np.array([[a, -b, 0.0], [b, a, 0.0], [0.0, 0.0, 1.0]])
    matrix[:2, 2] = mean_t - matrix[:2, :2] @ mean_s
    return matrix


def shrink(image: npt.NDArray[np.float32], factor: int) -> tuple[npt.NDArray[np.float32], FloatArray]:
    """Average blocks of ``factor`` x ``factor`` pixels; edges are repeated to fill the last block.

    Returns
    -------
    image : ndarray
    original_from_small : ndarray, shape (3, 3)
    """
    matrix = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
    if factor == 1:
        return image, np.eye(3)
    rows, columns = image.shape
    if rows % factor or columns % factor:
        image = np.pad(image, ((0, -rows % factor), (0, -columns % factor)), mode="edge")
    # Whole rows first: sums along a row of the film are many times slower than sums of rows.
    bands = image.reshape(-1, factor, image.shape[1]).sum(1, dtype=np.float32)
    total = bands[:, ::factor].copy()
    for k in range(1, factor):
        total += bands[:, k::factor]
    return total * np.float32(1 / factor**2), matrix


def crop(image: npt.NDArray[np.float32], image_from_crop: FloatArray, size: tuple[int, int]) -> npt.NDArray[np.float32]:
    """One crop of a film, averaged where the film is finer than the crop.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
    image_from_crop : ndarray, shape (3, 3)
        Maps pixels of the crop to pixels of the film, affine.
    size : (rows, columns) of the crop

    Returns
    -------
    ndarray of float32, shape ``size``
        Beyond the film: its edge values.
    """
    factor = averaged_by(image_from_crop)
    window, start = blocks_under(image, image_from_crop, size, factor)
    small, window_from_small = shrink(window, factor)
    image_from_small = np.array([[1, 0, start[0]], [0, 1, start[1]], [0, 0, 1.0]]) @ window_from_small
    matrix = np.linalg.inv(image_from_small) @ image_from_crop
    return resample(small, matrix, size)


def resample(
    image: npt.NDArray[np.float32], image_from_target: FloatArray, size: tuple[int, int]
) -> npt.NDArray[np.float32]:
    """A picture as seen through an affine matrix, between pixels by straight lines.

    Parameters
    ----------
    image : ndarray of float32, shape (R, K)
    image_from_target : ndarray, shape (3, 3)
        Maps pixels of the target to pixels of the picture.
    size : (rows, columns) of the target

    Returns
    -------
    ndarray of float32, shape ``size``
        Beyond the picture: its edge values.
    """
    # The library counts rows first.
    linear, shift = image_from_target[1::-1, 1::-1], image_from_target[1::-1, 2]
    seen: npt.NDArray[np.float32] = affine_transform(image, linear, shift, size, order=1, mode="nearest")
    return seen


def blocks_under(
    image: npt.NDArray[np.float32], image_from_crop: FloatArray, size: tuple[int, int], factor: int
) -> tuple[npt.NDArray[np.float32], tuple[int, int]]:
    """The whole blocks of ``factor`` pixels that a crop can touch.

    Averaging a whole film for one foot costs more than reading the crop.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        A film.
    image_from_crop : ndarray, shape (3, 3)
        Maps pixels of the crop to pixels of the film, affine.
    size : (rows, columns) of the crop
    factor : int
        Side of a block in pixels of the film.

    Returns
    -------
    window : ndarray of float32
        Part of the film; one block at least, the last of a row or column cut off where the film ends.
    start : (int, int)
        Column and row of the film at which it begins.
    """
    (left, right), (top, bottom) = spans_under(image.shape, image_from_crop, size, factor)
    return image[top:bottom, left:right], (left, top)


def spans_under(
    shape: tuple[int, ...], image_from_crop: FloatArray, size: tuple[int, int], factor: int
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Where the window of :func:`blocks_under` lies.

    Parameters
    ----------
    shape : (rows, columns) of the film
    image_from_crop : ndarray, shape (3, 3)
    size : (rows, columns) of the crop
    factor : int
        As there.

    Returns
    -------
    columns, rows : (int, int)
        The first, and the one past the last; this may lie beyond the film.
    """
    rows, columns = size
    corners = transform_points(
        image_from_crop, np.array([[0, 0], [columns - 1, 0], [0, rows - 1], [columns - 1, rows - 1.0]])
    )
    spans = []
    for axis, extent in ((0, shape[1]), (1, shape[0])):
        # Two blocks more on either side: interpolation reads the next one, and rounding may reach one further.
        first = np.clip(np.floor(corners[:, axis].min() / factor) - 2, 0, (extent - 1) // factor)
        last = np.clip(np.ceil(corners[:, axis].max() / factor) + 3, first + 1, -(-extent // factor))
        spans.append((int(first) * factor, int(last) * factor))
    return spans[0], spans[1]


def averaged_by(image_from_crop: FloatArray) -> int:
    """How many pixels of a film a crop averages, along each side.

    Parameters
    ----------
    image_from_crop : ndarray, shape (3, 3)

    Returns
    -------
    int
        Side of the blocks whose means are about as fine as the crop.
    """
    scale = float(np.sqrt(abs(np.linalg.det(image_from_crop[:2, :2]))))
    return max(1, int(scale + 0.25))
