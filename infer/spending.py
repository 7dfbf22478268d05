"""What reading one film costs: seconds by stage, and operations of networks; ``run.json`` tells where time went."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass
class Spending:
    """Of one film.

    Attributes
    ----------
    seconds : dict of str to float
        By stage; no second counts twice.
    operations : float
        Multiplications and additions of networks.
    """

    seconds: dict[str, float] = field(default_factory=dict)
    operations: float = 0.0


class _Here(threading.local):
    """What the film of this thread costs, and how long stages took that lie within the present one."""

    spending: Spending | None = None
    within: float = 0.0


_here = _Here()


@contextmanager
def spending_of_a_film(spending: Spending) -> Iterator[None]:
    """Whatever this thread does inside is spent on that film."""
    before, _here.spending = _here.spending, spending
    try:
        yield
    finally:
        _here.spending = before


@contextmanager
def stage(name: str) -> Iterator[None]:
    """Seconds inside are those of a stage, but for those of stages within it; of no film, they are let go."""
    spending, outside, began = _here.spending, _here.within, time.perf_counter()
    _here.within = 0.0
    try:
        yield
    finally:
        spent = time.perf_counter() - began
        if spending is not None:
            spending.seconds[name] = spending.seconds.get(name, 0.0) + spent - _here.within
        _here.within = outside + spent


def add_operations(count: float) -> None:
    """Count what a network computed on the film of this thread."""
    if _here.spending is not None:
        _here.spending.operations += count
