"""Why an accelerator cannot be used, or can no longer."""

from __future__ import annotations

from raysplay.configs.errors import RaysplayError


class AcceleratorError(RaysplayError):
    """There is no torch, no such device, or it is gone; the message says which.

    It is no film's fault, so it ends a run: no film is refused for it.
    """
