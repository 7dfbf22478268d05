"""``import torchvision`` with and without its operators (pytorch/vision issues 8985 and 9077)."""

import subprocess
import sys

import pytest
import torch

from raysplay.infer.network import torchvision_operators

WITHOUT = """
import torch
def refuse(path):
    raise OSError("built against another torch")
torch.ops.load_library = refuse
from raysplay.infer.network import torchvision_operators as operators
library = operators._library
assert library is not None
assert operators.declare_missing() and operators.declare_missing()
assert operators._library is library
schema = str(torch.ops.torchvision.nms.default._schema)
assert schema == "torchvision::nms(Tensor dets, Tensor scores, float iou_threshold) -> Tensor", schema
import torchvision
net = torchvision.models.resnet18(weights=None).eval()
assert net(torch.zeros(1, 3, 64, 64)).shape == (1, 1000)
print("passed")
"""


def test_torchvision_imports_where_its_operators_do_not_load_and_declaring_twice_is_harmless():
    done = subprocess.run([sys.executable, "-c", WITHOUT], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, "passed"), done.stderr


def test_nothing_is_declared_where_the_operators_load(monkeypatch):
    asked = []
    monkeypatch.setattr(torchvision_operators, "_library", None)
    monkeypatch.setattr(torch.ops, "load_library", asked.append)
    monkeypatch.setattr(torch.library, "Library", lambda *_: pytest.fail("a library was declared"))
    assert torchvision_operators.declare_missing() is False
    assert torchvision_operators._library is None
    assert len(asked) == 1


def test_nothing_is_declared_where_there_is_no_torchvision(monkeypatch):
    monkeypatch.setattr(torchvision_operators, "_library", None)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    monkeypatch.setattr(torch.library, "Library", lambda *_: pytest.fail("a library was declared"))
    assert torchvision_operators.declare_missing() is False
