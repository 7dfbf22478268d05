"""Networks read by torch: those without a graph, and the reference for those that have one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch.nn.utils import convert_conv2d_weight_memory_format

from raysplay.infer.network.graphs import FIELDS, LANDMARKS, MAP
from raysplay.infer.network.known_networks import known_networks
from raysplay.infer.network.weights import kept_state, load_weights
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import read_weights
from raysplay.infer.settings import ReadingSettings


def by_torch(
    weights: Path, reads: str, settings: ReadingSettings, threads: int | None = None
) -> Callable[[npt.NDArray[np.float32]], dict[str, npt.NDArray[Any]]]:
    """The network of a weights file.

    Parameters
    ----------
    weights : Path
    reads : {'landmarks', 'locator'}
    settings : ReadingSettings
    threads : int, optional
        Of torch, for the whole process; its own choice by default.

    Returns
    -------
    callable
        Reads a picture, as ``LoadedNetwork.read``; one thread at a time.

    Raises
    ------
    WeightsError
        If the file cannot be read, or is for none of the known networks.
    """
    if threads is not None:
        torch.set_num_threads(threads)
    network = network_for(weights, reads, settings)
    convert_conv2d_weight_memory_format(network, torch.channels_last)

    @torch.inference_mode()
    def read(picture: npt.NDArray[np.float32]) -> dict[str, npt.NDArray[Any]]:
        seen = network(torch.from_numpy(np.ascontiguousarray(picture, dtype=np.float32))[None])
        found = {name: getattr(seen, name) for name in FIELDS} if reads == LANDMARKS else {MAP: seen}
        return {name: one[0].numpy() for name, one in found.items()}

    return read


def network_for(weights: Path, reads: str, settings: ReadingSettings) -> torch.nn.Module:
    """The network of a weights file, filled and ready to read.

    Parameters
    ----------
    weights : Path
    reads : {'landmarks', 'locator'}
    settings : ReadingSettings

    Raises
    ------
    WeightsError
        If the file cannot be read, or is for none of the known networks.
    """
    shapes = {name: one.shape for name, one in read_weights(weights)[0].items()}
    for of, network in known_networks(settings).values():
        if of == reads and {name: tuple(one.shape) for name, one in kept_state(network).items()} == shapes:
            load_weights(network, weights)
            return network.eval()
    raise WeightsError(f"{weights.name}: made for another network or landmark list")
