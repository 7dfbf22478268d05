"""Shape of a pixel by the resolution tags of a picture file."""

from __future__ import annotations

import math
from typing import Any

from PIL import Image

_X_RESOLUTION, _Y_RESOLUTION = 282, 283
_SAME = 0.01
"""Relative difference up to which two resolutions count as the same: tags are rounded."""


def stated_aspect(picture: Image.Image) -> float | None:
    """Row distance over column distance by the resolutions along both; None where they say square or nothing.

    Tags of TIFF (6.0, XResolution and YResolution), JFIF (1.02, Xdensity and Ydensity, which without a unit give the
    shape alone), PNG (pHYs, the same) and EXIF. Resolutions describe print and no size of the patient, but their ratio
    describes the pixels. For the picture as it is stored, before any turning.
    """
    info: dict[Any, Any] = picture.info
    tags = getattr(picture, "tag_v2", {})
    pairs: tuple[Any, ...] = (
        (tags.get(_X_RESOLUTION), tags.get(_Y_RESOLUTION)),
        info.get("jfif_density"),
        info.get("aspect"),
        info.get("dpi"),
    )
    for pair in pairs:
        try:
            along, down = (float(value) for value in pair)
            aspect = along / down
        except Exception:
            continue
        if math.isfinite(aspect) and aspect > 0.0 and not math.isclose(aspect, 1.0, rel_tol=_SAME):
            return aspect
    return None
