"""The rate of the machine is that of all its cores, however many threads numpy is held to."""

import threading
from types import SimpleNamespace

import pytest

from raysplay.infer import foot_reader, machine_rate


def test_as_many_products_run_at_once_as_there_are_cores(monkeypatch):
    """A product of n x n matrices has 2 n^3 operations (n multiplications and additions for each of n^2 numbers)."""
    together, ticks = threading.Barrier(3), iter(range(0, 100, 2))
    monkeypatch.setattr(machine_rate, "_SIDE", 10)
    monkeypatch.setattr(foot_reader, "usable_cores", lambda: 3)
    monkeypatch.setattr(machine_rate, "_product", lambda matrix, result: together.wait(60))
    monkeypatch.setattr(machine_rate, "time", SimpleNamespace(perf_counter=lambda: float(next(ticks))))
    assert machine_rate.operations_a_second.__wrapped__() == pytest.approx(3 * 2 * 10**3 / 2.0)
