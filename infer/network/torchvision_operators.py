"""Makes ``import torchvision`` work beside a torch build without the libraries its operators were linked to.

torchvision registers two operators at import and fails where their schemas are missing. Raysplay uses none of
them: models only. Declaring the schemas lets the import pass; where a matching build is installed nothing
happens. See pytorch/vision issues 8985 and 9077.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import torch

OPERATORS = ("nms", "qnms")

_library: torch.library.Library | None = None
"""Kept alive: a collected library takes its schemas with it."""


def declare_missing() -> bool:
    """Declare the schemas where torchvision's own operators do not load; True if that was needed."""
    global _library
    if _library is not None:
        return True
    spec = importlib.util.find_spec("torchvision")
    if spec is None or not spec.submodule_search_locations:
        return False
    for binary in sorted(Path(spec.submodule_search_locations[0]).glob("_C*")):
        try:
            torch.ops.load_library(str(binary))
            return False
        except OSError:
            continue
    library = torch.library.Library("torchvision", "FRAGMENT")
    for name in OPERATORS:
        library.define(f"{name}(Tensor dets, Tensor scores, float iou_threshold) -> Tensor")
    _library = library
    return True


declare_missing()

from torchvision.models import resnet  # noqa: E402 - must follow the declaration

__all__ = ["declare_missing", "resnet"]
