"""The examples in the docstrings run as written."""

import doctest
import importlib
import pkgutil

import pytest

import raysplay.infer.agreement.statistics as package

MODULES = [f"{package.__name__}.{module.name}" for module in pkgutil.iter_modules(package.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    failed, attempted = doctest.testmod(importlib.import_module(name))
    assert failed == 0
    assert attempted > 0
