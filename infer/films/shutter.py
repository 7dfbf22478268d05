"""Display shutter of a DICOM film (PS3.3, C.7.6.11)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw
from pydicom.dataset import Dataset

_MOST_VERTICES = 1000


def outside_shutter(ds: Dataset, rows: int, columns: int) -> tuple[npt.NDArray[np.bool_] | None, tuple[str, ...]]:
    """Pixels that the shutter hides.

    In the header edges and vertices are rows and columns counted from 1; several shapes hide together.

    Parameters
    ----------
    ds : Dataset
    rows, columns : int
        Of the film.

    Returns
    -------
    hidden : ndarray of bool, shape (rows, columns), or None
        None where it hides nothing, or was ignored since it is unusable or hides everything.
    remarks : tuple of str
        What was done, without text of the header.
    """
    value = ds.get("ShutterShape")
    if not value:
        return None, ()
    shapes = {value} if isinstance(value, str) else {str(one) for one in value}
    visible = np.ones((rows, columns), dtype=bool)
    try:
        for shape in sorted(shapes):
            visible &= _inside(shape.strip().upper(), ds, rows, columns)
    except Exception:
        return None, ("the display shutter is unusable and was ignored",)
    if not visible.any():
        return None, ("the display shutter hides everything and was ignored",)
    return (None, ()) if visible.all() else (~visible, ("display shutter applied",))


def _inside(shape: str, ds: Dataset, rows: int, columns: int) -> npt.NDArray[np.bool_]:
    row = np.arange(1, rows + 1)[:, None]
    column = np.arange(1, columns + 1)[None, :]
    if shape == "RECTANGULAR":
        return np.asarray(
            (row >= int(ds.ShutterUpperHorizontalEdge))
            & (row <= int(ds.ShutterLowerHorizontalEdge))
            & (column >= int(ds.ShutterLeftVerticalEdge))
            & (column <= int(ds.ShutterRightVerticalEdge))
        )
    if shape == "CIRCULAR":
        centre_row, centre_column = (int(part) for part in ds.CenterOfCircularShutter)
        radius = int(ds.RadiusOfCircularShutter)
        return np.asarray((row - centre_row) ** 2 + (column - centre_column) ** 2 <= radius**2)
    if shape == "POLYGONAL":
        vertices = ds.VerticesOfThePolygonalShutter
        if len(vertices) > 2 * _MOST_VERTICES:  # drawing takes time for each in every row
            raise ValueError("too many vertices")
        flat = [int(part) for part in vertices]
        corners = [(c - 1, r - 1) for r, c in zip(flat[::2], flat[1::2], strict=True)]
        mask = Image.new("1", (columns, rows))
        ImageDraw.Draw(mask).polygon(corners, fill=1, outline=1)
        return np.asarray(mask, dtype=bool)
    raise ValueError("undefined shutter shape")
