"""The examples in the public docstrings run as written."""

import doctest
import importlib
import pkgutil

import pytest

import raysplay.measure

MODULES = ["raysplay.measure"] + [
    f"raysplay.measure.{module.name}" for module in pkgutil.iter_modules(raysplay.measure.__path__)
]
WITHOUT_EXAMPLES = {"raysplay.measure.schema"}


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    failed, attempted = doctest.testmod(importlib.import_module(name))
    assert failed == 0
    assert attempted > 0 or name in WITHOUT_EXAMPLES
