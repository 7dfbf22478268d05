"""What a floor declares of a subcommand of ``raysplay``; nothing is imported before it is called."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Subcommand:
    """A subcommand: where its function stands, and its line in ``raysplay --help``."""

    name: str
    module: str
    """Full path of the module, on the floor that declares the command."""
    function: str
    help: str
    """One sentence, the first of the function's docstring."""
    hidden: bool = False
    """Left out of ``raysplay --help``."""

    def load(self) -> Callable[..., Any]:
        """Import the module and give its function."""
        function: Callable[..., Any] = getattr(importlib.import_module(self.module), self.function)
        return function
