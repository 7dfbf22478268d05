"""No import runs back: measure < infer < train, synthetic_data on measure, configs as data beside them."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = ("configs", "measure", "infer", "synthetic_data", "train")

MAY_IMPORT = {
    "measure": {"measure"},
    "configs": {"configs", "measure"},
    "infer": {"infer", "measure", "configs"},
    "synthetic_data": {"synthetic_data", "measure", "configs"},
    "train": set(FOLDERS),
}
"""Folders of the project that a folder may import from."""

MAY_IMPORT_FROM_OUTSIDE = {"measure": {"numpy"}, "configs": {"yaml", "pydantic"}}
"""Packages beyond the standard library, for the folders that are held to a list."""


def imported(source, module, is_package):
    """Every module that ``source`` imports, absolute; also those named in a call of import_module."""
    package = module.split(".") if is_package else module.split(".")[:-1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            base = [*base, *(node.module.split(".") if node.module else [])]
            if base == ["raysplay"]:  # the names may be the folders themselves
                yield from (f"raysplay.{alias.name}" for alias in node.names)
            else:
                yield ".".join(base)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in {"import_module", "__import__"} and isinstance(node.args[0].value, str):
                yield node.args[0].value


def violations(source, module, is_package=False):
    """Imports in the text of ``module`` (``raysplay.<folder>...``) that its folder may not make."""
    folder = module.split(".")[1]
    found = []
    for name in imported(source, module, is_package):
        top, *rest = name.split(".")
        if top == "raysplay":
            allowed = bool(rest) and rest[0] in MAY_IMPORT[folder]
        elif top in (*FOLDERS, "tests"):
            allowed = False  # works only from the root of a checkout
        elif top in sys.stdlib_module_names or folder not in MAY_IMPORT_FROM_OUTSIDE:
            allowed = True
        else:
            allowed = top in MAY_IMPORT_FROM_OUTSIDE[folder]
        if not allowed:
            found.append(f"{module} imports {name}")
    return found


def modules():
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            parts = ["raysplay", *path.relative_to(ROOT).with_suffix("").parts]
            is_package = parts[-1] == "__init__"
            yield path, ".".join(parts[:-1] if is_package else parts), is_package


def test_every_folder_has_modules():
    assert {module.split(".")[1] for _, module, _ in modules()} == set(FOLDERS)


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_import_runs_back(folder):
    found = [
        violation
        for path, module, is_package in modules()
        if module.split(".")[1] == folder
        for violation in violations(path.read_text(encoding="utf-8"), module, is_package)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("raysplay.measure.x", "import torch"),
        ("raysplay.measure.x", "import scipy.spatial as s"),
        ("raysplay.measure.x", "from raysplay.configs.load import landmark_schema"),
        ("raysplay.measure.x", "from raysplay import infer"),
        ("raysplay.measure.x", "import raysplay"),
        ("raysplay.measure.x", "from ..configs import load"),
        ("raysplay.measure.x", "from .. import train"),
        ("raysplay.measure.x", "def f():\n    import torch"),
        ("raysplay.measure.x", "import importlib\nimportlib.import_module('torch')"),
        ("raysplay.infer.films.x", "from raysplay.synthetic_data.film import noise"),
        ("raysplay.infer.films.x", "import raysplay.train.cli"),
        ("raysplay.infer.films.x", "from ...train import cli"),
        ("raysplay.infer.films.x", "import train"),
        ("raysplay.synthetic_data.x", "from raysplay.infer.records import FootRecord"),
        ("raysplay.synthetic_data.x", "if True:\n    from raysplay.train import cli"),
        ("raysplay.configs.x", "import numpy"),
        ("raysplay.configs.x", "from raysplay.infer.records import Outcome"),
        ("raysplay.train.x", "from tests.helpers import x"),
    ],
)
def test_the_check_sees_an_import_that_runs_back(module, source):
    assert len(violations(source, module)) == 1


@pytest.mark.parametrize(
    ("module", "source"),
    [
        (
            "raysplay.measure.x",
            "import numpy\nfrom math import pi\nfrom raysplay.measure.schema import A",
        ),
        ("raysplay.measure.x", "from .schema import LandmarkSchema\nfrom . import geometry"),
        ("raysplay.configs.x", "import yaml\nfrom pydantic import BaseModel\nfrom raysplay.measure import A"),
        ("raysplay.infer.films.x", "import torch\nfrom raysplay.measure import A\nfrom ..records import B"),
        ("raysplay.synthetic_data.x", "import scipy\nfrom raysplay.measure import A"),
        ("raysplay.train.x", "from raysplay import infer, measure\nfrom raysplay.synthetic_data import film"),
    ],
)
def test_the_check_lets_the_right_imports_pass(module, source):
    assert violations(source, module) == []


def test_relative_imports_of_a_package_start_at_itself():
    assert violations("from .schema import A", "raysplay.measure", is_package=True) == []
    assert violations("from ..infer import A", "raysplay.measure", is_package=True) == [
        "raysplay.measure imports raysplay.infer"
    ]
