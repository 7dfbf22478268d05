"""A network that reads one picture at a time, by ONNX Runtime, or by torch where it has no graph."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from raysplay.infer.network.graphs import FIELDS, LANDMARKS, MAP, Graph, fitting
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import digest, read_weights
from raysplay.infer.settings import ReadingSettings

Picture = npt.NDArray[np.float32]
Fields = dict[str, npt.NDArray[Any]]
"""What a network says of one picture, by the names of :mod:`.graphs`, without the axis of a batch."""

RUNTIMES = ("onnx", "torch")


@dataclass(frozen=True)
class LoadedNetwork:
    """A network with its weights; call ``read`` with a picture.

    Attributes
    ----------
    read : callable
        Picture (rows, columns) in, 0 to 1, bone bright; fields out. May be called by several threads at once.
    digests : dict of str to str
        SHA-256 of the files that it is made of, by name.
    flops : int
        Multiplications and additions for one picture; 0 where nobody counted.
    runtime : str
        One of ``RUNTIMES``.
    """

    read: Callable[[Picture], Fields]
    digests: dict[str, str]
    flops: int
    runtime: str


def load_network(
    weights: Path, reads: str, settings: ReadingSettings, runtime: str | None = None, threads: int | None = None
) -> LoadedNetwork:
    """The network that a weights file is for.

    A graph does its sums in one thread whatever else goes on, one picture at a time, so a film's numbers depend on
    nothing but the film and the kind of processor.

    Parameters
    ----------
    weights : Path
    reads : {'landmarks', 'locator'}
    settings : ReadingSettings
        Say how large its pictures are.
    runtime : {'onnx', 'torch'}, optional
        By default ONNX Runtime, and torch where no graph fits the weights.
    threads : int, optional
        Of torch.

    Raises
    ------
    WeightsError
        If the file is missing or damaged, was made for another network, or for one that has no graph where torch is not
        installed.
    """
    if runtime not in (None, *RUNTIMES):
        raise ValueError(f"no such runtime: {runtime}")
    size = picture_size(reads, settings)
    tensors, _ = read_weights(weights)
    of_weights = {weights.name: digest(weights)}
    graph = None if runtime == "torch" else fitting(reads, size, {name: one.shape for name, one in tensors.items()})
    if graph is not None:
        return LoadedNetwork(
            _session(graph, tensors), {**of_weights, graph.path.name: graph.sha256}, graph.flops, "onnx"
        )
    unknown = WeightsError(
        f"{weights.name}: made for another network or landmark list; none that comes with this version has these "
        "tensors, and only where torch is installed (raysplay[torch]) is a network without a graph read, too"
    )
    if runtime == "onnx":
        raise unknown
    try:
        from raysplay.infer.network.by_torch import by_torch
    except ModuleNotFoundError as error:
        raise unknown from error
    return LoadedNetwork(by_torch(weights, reads, settings, threads), of_weights, 0, "torch")


def picture_size(reads: str, settings: ReadingSettings) -> tuple[int, int]:
    """Rows and columns of the picture of a network that reads landmarks or locates feet."""
    return settings.crop_size if reads == LANDMARKS else (settings.film_side, settings.film_side)


def _session(graph: Graph, tensors: dict[str, npt.NDArray[Any]]) -> Callable[[Picture], Fields]:
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    values = {
        name: ort.OrtValue.ortvalue_from_numpy(np.ascontiguousarray(one, dtype=np.float32))
        for name, one in tensors.items()
    }
    options.add_external_initializers(list(values), list(values.values()))
    session = ort.InferenceSession(graph.content(), options, providers=["CPUExecutionProvider"])
    entry = session.get_inputs()[0].name
    names = FIELDS if graph.reads == LANDMARKS else (MAP,)

    def read(picture: Picture) -> Fields:
        found = session.run(None, {entry: np.ascontiguousarray(picture[None], dtype=np.float32)})
        return {name: one[0] for name, one in zip(names, found, strict=True)}

    return read
