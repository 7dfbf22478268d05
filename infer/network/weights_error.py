"""What goes wrong with a weights file; apart from the rest so that naming it does not load torch."""

from __future__ import annotations


class WeightsError(RuntimeError):
    """A weights file that cannot be used; the message names the file and the reason."""
