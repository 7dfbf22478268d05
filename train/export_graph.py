"""Networks as ONNX graphs without weights, which ``raysplay measure`` runs without torch.

    .venv/bin/python -m raysplay.train.export_graph infer/network/graphs    # after a change of a network or its picture

A graph says what is computed; the numbers are taken from a weights file when it is loaded. So one graph serves all
weights of a network, and none can be out of step with its weights.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import onnx
import torch
import typer
from onnx import ModelProto, TensorProto
from torch import Tensor, nn

from raysplay.infer.network.graphs import FIELDS, LANDMARKS
from raysplay.infer.network.known_networks import known_networks
from raysplay.infer.network.landmark_network import LandmarkPrediction
from raysplay.infer.network.loaded import picture_size
from raysplay.infer.network.weights import kept_state
from raysplay.infer.settings import reading_settings

OPSET = 20
_WEIGHTS = "weights"
"""What stands in the place of a file of weights; no such file is ever opened."""


class _Fields(nn.Module):
    """A landmark network that gives the fields of its prediction one by one."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, images: Tensor) -> tuple[Tensor, ...]:
        seen: LandmarkPrediction = self.network(images)
        return tuple(getattr(seen, field) for field in FIELDS)


def export_graph(network: nn.Module, reads: str, size: tuple[int, int], folder: Path, name: str) -> Path:
    """Write a network as ``NAME.onnx``, and beside it ``NAME.json``, what it reads and which tensors it needs.

    Parameters
    ----------
    network : Module
        (B, R, C) grey values in; a :class:`LandmarkPrediction` or the locator's map out.
    reads : {'landmarks', 'locator'}
    size : (rows, columns)
        Of the picture; one picture at a time.
    folder : Path
    name : str
        Of the graph, without an ending.

    Returns
    -------
    Path
        Of the graph.

    Raises
    ------
    ValueError
        If the exported graph holds tensors of the network in another form than its weights file.
    """
    network = network.eval().requires_grad_(False)
    module = _Fields(network).eval() if reads == LANDMARKS else network
    program = torch.onnx.export(
        module,
        (torch.rand(1, *size),),
        dynamo=True,
        opset_version=OPSET,
        verbose=False,
        optimize=False,  # it would fold weights into each other, which only who loads them may do
    )
    assert program is not None
    model = onnx.shape_inference.infer_shapes(program.model_proto)
    flops = count_flops(model)
    tensors = {key: list(value.shape) for key, value in kept_state(network).items()}
    _without_weights(model, tensors, "network." if reads == LANDMARKS else "")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.onnx"
    path.write_bytes(model.SerializeToString(deterministic=True))
    about = {
        "reads": reads,
        "size": list(size),
        "flops": flops,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "tensors": tensors,
    }
    path.with_suffix(".json").write_text(json.dumps(about, indent=1) + "\n", encoding="ascii")
    return path


def count_flops(model: ModelProto) -> int:
    """Multiplications and additions of all convolutions and matrix products, two for each pair.

    Parameters
    ----------
    model : ModelProto
        With shapes inferred.
    """
    shapes = {one.name: list(one.dims) for one in model.graph.initializer}
    for value in (*model.graph.value_info, *model.graph.output, *model.graph.input):
        shapes[value.name] = [dim.dim_value for dim in value.type.tensor_type.shape.dim]
    total = 0
    for node in model.graph.node:
        if node.op_type == "Conv":
            weight = shapes[node.input[1]]
            total += 2 * math.prod(shapes[node.output[0]]) * math.prod(weight[1:])
        elif node.op_type in ("Gemm", "MatMul"):
            inner = shapes[node.input[0]][-1]
            total += 2 * math.prod(shapes[node.output[0]]) * inner
    return total


def _without_weights(model: ModelProto, tensors: Iterable[str], prefix: str) -> None:
    """Take the numbers of the weights out, and whatever tells where and by what the graph was made."""
    needed = set(tensors)
    renamed = {}
    for tensor in model.graph.initializer:
        own = tensor.name.removeprefix(prefix)
        if own not in needed:
            if math.prod(tensor.dims) > 4096:
                raise ValueError(f"{tensor.name}: a tensor of the network that its weights file does not hold")
            continue
        renamed[tensor.name] = own
        for part in ("raw_data", "float_data"):
            tensor.ClearField(part)
        tensor.name = own
        tensor.data_location = TensorProto.EXTERNAL
        del tensor.external_data[:]
        tensor.external_data.add(key="location", value=_WEIGHTS)
    _without_zeros(model, set(renamed))
    if missing := needed - set(renamed.values()):
        raise ValueError(f"the graph does without {', '.join(sorted(missing))}")
    for node in model.graph.node:
        for place, name in enumerate(node.input):
            node.input[place] = renamed.get(name, name)
        if node.op_type == "BatchNormalization":
            del node.output[1:]  # a runtime folds it into the convolution before only if nothing else is asked of it
        node.doc_string = ""
        del node.metadata_props[:]
    del model.graph.value_info[:]
    del model.graph.metadata_props[:]
    del model.metadata_props[:]
    for value in (*model.graph.input, *model.graph.output, *model.graph.initializer):
        del value.metadata_props[:]
        value.doc_string = ""
    model.graph.name, model.producer_name, model.producer_version = "", "", ""
    del model.functions[:]


def _without_zeros(model: ModelProto, weights: set[str]) -> None:
    """Convolutions without a bias come with one of zeros, made when they run, which keeps a runtime from folding."""
    for node in model.graph.node:
        if node.op_type == "Conv" and len(node.input) == 3 and node.input[2] not in weights:
            if node.input[1].removesuffix("weight") + "bias" in weights:
                raise ValueError(f"{node.input[1]}: its bias is another one than the network's")
            del node.input[2]
    while True:
        used = {name for node in model.graph.node for name in node.input} | {one.name for one in model.graph.output}
        idle = [node for node in model.graph.node if not used.intersection(node.output)]
        if not idle:
            return
        for node in idle:
            model.graph.node.remove(node)


def main(folder: Annotated[Path, typer.Argument(metavar="FOLDER")]) -> None:
    """Write all graphs that come with the package into FOLDER."""
    settings = reading_settings()
    for name, (reads, network) in known_networks(settings).items():
        path = export_graph(network, reads, picture_size(reads, settings), folder, name)
        print(f"{path.name}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    typer.run(main)
