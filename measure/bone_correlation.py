"""Correlation of the errors of landmarks on one bone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.measure.geometry import FloatArray
from raysplay.measure.schema import LandmarkSchema


def bone_correlation(covariance: npt.ArrayLike, schema: LandmarkSchema, correlation: float) -> FloatArray:
    """Full covariance from one per landmark and one correlation shared by all landmarks of a bone.

    The errors of two landmarks k and l of one bone have the covariance ``correlation * S_k S_l`` with S the
    symmetric square root of each landmark's own covariance, so every landmark keeps its own; landmarks of different
    bones stay independent.

    Parameters
    ----------
    covariance : array_like, shape (N, L, 2, 2)
        A landmark whose block is not a covariance gives ``nan`` in its rows and columns.
    schema : LandmarkSchema
        Names the landmark axis and tells the bones.
    correlation : float
        0 to 1.

    Returns
    -------
    ndarray, shape (N, 2 L, 2 L)
        Order x0, y0, x1, y1, ...

    Raises
    ------
    ValueError
        If the shape does not fit or the correlation is out of range.

    Examples
    --------
    >>> import numpy as np
    >>> schema = LandmarkSchema(("a", "b", "c"), ("bone 1", "bone 1", "bone 2"))
    >>> full = bone_correlation(np.broadcast_to(np.eye(2), (1, 3, 2, 2)), schema, 0.5)
    >>> full[0, 0].tolist()
    [1.0, 0.0, 0.5, 0.0, 0.0, 0.0]
    """
    own = np.asarray(covariance, dtype=np.float64)
    if own.ndim != 4 or own.shape[1:] != (len(schema), 2, 2):
        raise ValueError(f"covariance must have shape (N, {len(schema)}, 2, 2), not {own.shape}")
    if not 0.0 <= correlation <= 1.0:
        raise ValueError(f"correlation must lie between 0 and 1, not {correlation}")
    root = _square_root(own)
    bones = np.array(schema.bones)
    shared = np.where(np.equal.outer(bones, bones), correlation, 0.0)
    np.fill_diagonal(shared, 0.0)
    full: FloatArray = np.einsum("kl,nkab,nlbc->nkalc", shared, root, root)
    for k in range(len(schema)):
        full[:, k, :, k, :] = own[:, k]
        full[:, k][~np.isfinite(root[:, k, 0, 0])] = np.nan
        full[:, :, :, k][~np.isfinite(root[:, k, 0, 0])] = np.nan
    return full.reshape(len(own), 2 * len(schema), 2 * len(schema))


def _square_root(own: FloatArray) -> FloatArray:
    """Symmetric square root of 2 x 2 covariances: (C + sqrt(det) I) / sqrt(trace + 2 sqrt(det))."""
    determinant = own[..., 0, 0] * own[..., 1, 1] - own[..., 0, 1] * own[..., 1, 0]
    trace = own[..., 0, 0] + own[..., 1, 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        small = np.abs(determinant) <= 1e-9 * trace**2
        side = np.sqrt(np.where(small, np.maximum(determinant, 0.0), determinant))
        scale = np.sqrt(np.where(trace >= 0.0, trace + 2.0 * side, np.nan))
        root = (own + side[..., None, None] * np.eye(2)) / scale[..., None, None]
    return np.where((scale == 0.0)[..., None, None], 0.0, root)
