"""What a user may choose of how films are read; one object for the commands and for Python."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.shipped_weights import weights_meant


@dataclass(frozen=True)
class ReadingOptions:
    """How films are read.

    Attributes
    ----------
    protocol : path, optional
        Measures to report and how they are built; the shipped ``protocol.yaml`` by default.
    threads : int, optional
        Films looked at at once, each on one core; all cores by default.
    landmark_weights : path, optional
        Fine-tuned landmark network, or the name of a reader that ships (``careful``, ``quick``); its file afterwards.
    accelerator : str, optional
        Device of torch that runs networks and resampling: ``auto``, ``cuda``, ``cuda:1``; this processor by default.
    """

    protocol: Path | str | None = None
    threads: int | None = None
    landmark_weights: Path | str | None = None
    accelerator: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "landmark_weights", weights_meant(self.landmark_weights))
