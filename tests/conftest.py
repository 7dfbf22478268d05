"""Which tests are slow; round blobs whose middle is known, and readers of feet without training."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FunctionType, MethodType, ModuleType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pytest

if TYPE_CHECKING:  # a test without networks waits for none
    from raysplay.infer.foot_reader import FootReader

FloatArray = npt.NDArray[np.float64]

# One thread a process, here and in the programs that tests start: several processes share the cores. torch goes by it,
# too, when it is imported.
os.environ.setdefault("OMP_NUM_THREADS", "1")

TESTS = Path(__file__).parent
SLOW_TOOLS = (
    "subprocess",  # starts programs
    "runpy",
    "multiprocessing",
    "typer.testing",  # runs whole commands
    "playwright",  # opens a browser
    "raysplay.infer.clinic",  # starts a server, and a process that measures
    "raysplay.infer.films.decode",  # starts a process that decodes
    "raysplay.infer.measuring",
    "raysplay.infer.foot_reader",  # loads networks
    "raysplay.infer.network.landmark_network",
    "raysplay.infer.network.locator_network",
    "raysplay.infer.network.trunk",
    "raysplay.infer.review.films",  # starts two processes that decode
    "raysplay.infer.review.server",
    "raysplay.synthetic_data.archive",  # makes films
    "raysplay.synthetic_data.film.compose",
    "raysplay.synthetic_data.projection.shadow",
    "raysplay.synthetic_data.skeleton.archive",
    "raysplay.train.feed",
    "raysplay.train.finetune",
    "raysplay.train.fit",
    "raysplay.train.pool",  # projects feet
    "raysplay.train.suite.films",
)
"""What makes a test slow that reaches it, by its own code or by a fixture: modules, and all below them."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark as ``slow`` every test from whose code, or from that of a fixture it asks for, a slow tool is called.

    Where several processes share the tests, files with slow ones go first: a long one begun last would be waited for.
    """
    known: dict[int, bool] = {}
    for item in items:
        if isinstance(item, pytest.Function):
            fixtures = (made.func for many in item._fixtureinfo.name2fixturedefs.values() for made in many[-1:])
            if any(_is_slow(function, known) for function in (item.function, *fixtures)):
                item.add_marker("slow")
    if hasattr(config, "workerinput"):
        slow = {item.path for item in items if item.get_closest_marker("slow")}
        items.sort(key=lambda item: item.path not in slow)


def _is_slow(thing: object, known: dict[int, bool]) -> bool:
    """Whether ``thing`` is of a slow tool, or code of the tests that calls one."""
    module = thing if isinstance(thing, str) else getattr(thing, "__module__", None)
    if isinstance(thing, ModuleType):
        module = thing.__name__
    if isinstance(module, str) and any(f"{module}.".startswith(f"{tool}.") for tool in SLOW_TOOLS):
        return True
    if id(thing) not in known:
        known[id(thing)] = False  # while it is looked at, for code that calls itself
        known[id(thing)] = any(_is_slow(called, known) for called in _called(thing))
    return known[id(thing)]


def _called(thing: object) -> Iterator[object]:
    """What a function or class of the tests names in its code, and modules that it imports there."""
    if isinstance(thing, MethodType):
        thing = thing.__func__
    thing = getattr(thing, "__wrapped__", thing)
    if isinstance(thing, type) and str(getattr(thing, "__module__", "")).split(".")[0] in ("tests", "conftest"):
        yield from (part for part in vars(thing).values() if isinstance(part, FunctionType))
    elif isinstance(thing, FunctionType) and TESTS in Path(thing.__code__.co_filename).parents:
        owner = thing.__globals__.get(thing.__qualname__.split(".")[0])
        known = thing.__globals__ | (dict(vars(owner)) if isinstance(owner, type) else {})
        yield from (known.get(name, name) for name in _names(thing.__code__) if name in known or "." in name)


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for part in code.co_consts:
        if isinstance(part, CodeType):
            yield from _names(part)


@pytest.fixture(scope="session")
def draw_blob() -> Callable[..., FloatArray]:
    """Gaussian blob of height 1: ``draw_blob(size, (x, y), sigma)``; pixel centres at integers."""

    def draw(size: tuple[int, int], at: npt.ArrayLike, sigma: float) -> FloatArray:
        y, x = np.mgrid[: size[0], : size[1]]
        px, py = np.asarray(at, float)
        blob: FloatArray = np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * sigma**2))
        return blob

    return draw


@pytest.fixture(scope="session")
def centre_of_mass() -> Callable[..., FloatArray]:
    """Centre (x, y) of what is bright; ``near`` and ``reach`` keep to a square round a point."""

    def centre(image: npt.ArrayLike, near: npt.ArrayLike | None = None, reach: float = np.inf) -> FloatArray:
        grey = np.asarray(image, float)
        y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
        if near is not None:
            px, py = np.asarray(near, float)
            grey = grey * ((np.abs(x - px) <= reach) & (np.abs(y - py) <= reach))
        total = grey.sum()
        assert total > 0, "nothing bright here"
        return np.array([(grey * x).sum() / total, (grey * y).sum() / total])

    return centre


@pytest.fixture(scope="session")
def untrained_weights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with weights of networks that know nothing, under the names of the shipped ones."""
    import torch

    from raysplay.configs import landmark_schema
    from raysplay.infer.network.landmark_network import LandmarkNetwork
    from raysplay.infer.network.locator_network import LocatorNetwork
    from raysplay.infer.network.weights import save_weights
    from raysplay.infer.settings import reading_settings

    folder = tmp_path_factory.mktemp("untrained")
    torch.manual_seed(0)
    save_weights(LocatorNetwork(len(reading_settings().anchors)), folder / "locator.safetensors", {})
    save_weights(LandmarkNetwork(len(landmark_schema())), folder / "landmarks.safetensors", {})
    return folder


@pytest.fixture(scope="session")
def untrained_reader(untrained_weights: Path) -> Callable[[], FootReader]:
    """Readers with networks that know nothing; a test puts in their place what it wants the networks to say."""
    from raysplay.infer.foot_reader import FootReader

    return lambda: FootReader(untrained_weights / "locator.safetensors", untrained_weights / "landmarks.safetensors")
