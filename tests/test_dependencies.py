"""What the documented installation brings is enough for every command that it documents."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

WITHOUT_EXTRAS = ("configs", "measure", "infer", "synthetic_data", "train/suite")
"""Folders whose modules a user's commands reach; synthetic_data/skeleton needs its extra and says so."""

BROUGHT_BY = {"pydantic_core": "pydantic", "pydantic-core": "pydantic", "starlette": "fastapi"}
"""Parts of a dependency that are packaged by themselves."""


def names(requirements):
    return {re.split(r"[\s<>=!~\[;]", one, maxsplit=1)[0].lower() for one in requirements}


ASKED_FOR = ("pandas", "distributed", "fsspec")
"""Used where the user has it; where not, one sentence says so (``PandasMissingError``, ``EngineError``,
``NoFilmsError``)."""


def outside(path):
    """Packages beyond the standard library and the project that a module imports anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        found = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.level == 0:
            found = [node.module or ""]
        yield from (name.split(".")[0] for name in found)


OF_TORCH = {
    "infer/accelerator/device.py",
    "infer/accelerator/in_this_process.py",
    "infer/accelerator/networks.py",
    "infer/accelerator/resampling.py",
    "infer/accelerator/serving.py",
    "infer/accelerator/upload.py",
    "infer/network/by_torch.py",
    "infer/network/known_networks.py",
    "infer/network/landmark_network.py",
    "infer/network/lean_landmark_network.py",
    "infer/network/lean_locator_network.py",
    "infer/network/locator_network.py",
    "infer/network/normalise.py",
    "infer/network/separable.py",
    "infer/network/torchvision_operators.py",
    "infer/network/trunk.py",
    "infer/network/weights.py",
}
"""What defines networks for training and runs them on an accelerator; measuring and reviewing need none of it: torch
is an extra."""


@pytest.mark.parametrize("folder", WITHOUT_EXTRAS)
def test_every_import_is_a_dependency(folder):
    declared, distributions = names(PROJECT["dependencies"]), packages_distributions()
    missing = {}
    for path in sorted((ROOT / folder).rglob("*.py")):
        if "skeleton" in path.parts:
            continue
        place = path.relative_to(ROOT).as_posix()
        # The generator of films draws with torch, too.
        with_torch = place in OF_TORCH or folder in ("synthetic_data", "train/suite")
        brings = declared | (names(PROJECT["optional-dependencies"]["torch"]) if with_torch else set())
        for package in outside(path):
            if package in sys.stdlib_module_names or package in ("raysplay", *ASKED_FOR):
                continue
            brought = {BROUGHT_BY.get(one.lower(), one.lower()) for one in distributions.get(package, [package])}
            if not brought & brings:
                missing.setdefault(package, place)
    assert missing == {}


def test_what_draws_the_plots_of_a_suite_comes_with_every_installation():
    assert "matplotlib" in set(outside(ROOT / "train/suite/plots.py"))
    assert "matplotlib" in names(PROJECT["dependencies"])
