"""What goes wrong with a weights file; apart from the rest so that naming it does not load torch."""

from __future__ import annotations

from raysplay.configs.errors import RaysplayError


class WeightsError(RaysplayError, RuntimeError):
    """A weights file that cannot be used; the message names the file and the reason."""
