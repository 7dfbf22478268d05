"""Networks as ONNX graphs without weights, each with what it reads and which tensors it needs.

``python -m raysplay.train.export_graph`` writes them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.network.weights_error import WeightsError

FOLDER = Path(__file__).parent
"""Of the graphs that come with the package."""

LANDMARKS, LOCATOR = "landmarks", "locator"
"""What networks read."""

FIELDS = ("points", "spread", "confidence", "view", "conditions", "strangeness")
"""Outputs of a graph that reads landmarks, in this order: fields of ``LandmarkPrediction``."""

MAP = "map"
"""Output of a graph that locates feet."""


@dataclass(frozen=True)
class Graph:
    """One network without its weights.

    Attributes
    ----------
    path : Path
        ONNX file.
    sha256 : str
        Of that file.
    reads : {'landmarks', 'locator'}
    size : (int, int)
        Rows and columns of the picture that it takes.
    flops : int
        Multiplications and additions for one picture.
    tensors : mapping of str to tuple of int
        Shapes of the tensors of its weights file by name.
    """

    path: Path
    sha256: str
    reads: str
    size: tuple[int, int]
    flops: int
    tensors: Mapping[str, tuple[int, ...]]

    def content(self) -> bytes:
        """The ONNX file.

        Raises
        ------
        WeightsError
            If it is not the one that its description is of.
        """
        whole = self.path.read_bytes()
        if hashlib.sha256(whole).hexdigest() != self.sha256:
            raise WeightsError(f"{self.path.name} is not the graph that {self.path.stem}.json describes")
        return whole


def fitting(
    reads: str, size: tuple[int, int], tensors: Mapping[str, Sequence[int]], folders: Iterable[Path] = (FOLDER,)
) -> Graph | None:
    """The graph of a network that reads what is asked, takes pictures of that size and needs exactly those tensors.

    Parameters
    ----------
    reads : {'landmarks', 'locator'}
    size : (rows, columns)
    tensors : mapping of str to sequence of int
        Shapes by name, as a weights file holds them.
    folders : iterable of Path
        Where graphs lie.
    """
    wanted = {name: tuple(shape) for name, shape in tensors.items()}
    for folder in folders:
        for path in sorted(folder.glob("*.json")):
            about = json.loads(path.read_text(encoding="ascii"))
            known = {name: tuple(shape) for name, shape in about["tensors"].items()}
            if about["reads"] == reads and tuple(about["size"]) == tuple(size) and known == wanted:
                return Graph(path.with_suffix(".onnx"), about["sha256"], reads, size, about["flops"], known)
    return None
