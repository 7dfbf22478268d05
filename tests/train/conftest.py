"""A few feet projected on a coarse raster, and reading settings for small crops."""

from collections.abc import Callable

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.settings import ReadingSettings, reading_settings
from raysplay.train.pool import Pool
from raysplay.train.settings import PoolSettings

COARSE = PoolSettings(
    size=16,
    refresh=0.0,
    projection_batch=8,
    pitch_mm=1.36,
    rows=304,
    columns=152,
    top_mm=112.0,
    left_mm=-96.0,
    view_shares={"dp": 0.7, "oblique": 0.1, "lateral": 0.1, "other": 0.1},
    workers=0,
)


@pytest.fixture(scope="session")
def coarse() -> PoolSettings:
    return COARSE


@pytest.fixture(scope="session")
def pool() -> Pool:
    """Sixteen projected feet; not to be changed."""
    pool = Pool(COARSE, 3, torch.device("cpu"))
    pool.fill(16)
    return pool


@pytest.fixture
def blob_pool(pool, draw_blob) -> Pool:
    """The same feet, all seen from above, but of each one nothing save a blob at one landmark: foot k shows number
    ``k`` of the anchors, then of the other landmarks."""
    blobs = Pool(COARSE, 3, torch.device("cpu"))
    dp = torch.nonzero(pool.views == VIEWS.index("dp")).squeeze(1)
    index = dp[torch.arange(COARSE.size) % len(dp)]
    blobs.points[:], blobs.placed[:] = pool.points[index], True
    blobs.filled = COARSE.size
    for k, landmark in enumerate(shown_landmarks()):
        blob = draw_blob((COARSE.rows, COARSE.columns), blobs.points[k, landmark], 3.0)
        blobs.lengths[k, 0] = torch.as_tensor(12 * blob, dtype=torch.float32)
    return blobs


def shown_landmarks() -> list[int]:
    """Landmark that each foot of ``blob_pool`` shows."""
    schema = landmark_schema()
    anchors = [schema.index(a.code) for a in reading_settings().anchors]
    others = [k for k in range(0, len(schema), 5) if k not in anchors]
    return (anchors + others)[: COARSE.size]


@pytest.fixture(scope="session")
def small_reading() -> Callable[[], ReadingSettings]:
    """The shipped settings at half the resolution."""
    shipped = reading_settings()
    halved = shipped.model_copy(
        update={
            "film_side": shipped.film_side // 2,
            "crop_rows": shipped.crop_rows // 2,
            "crop_columns": shipped.crop_columns // 2,
            "anchors": tuple(a.model_copy(update={"x": a.x / 2, "y": a.y / 2}) for a in shipped.anchors),
        }
    )
    return lambda: halved


@pytest.fixture
def bare(monkeypatch, small_reading):
    """Batches of ``module`` without noise, marks, edges or loss of resolution: geometry alone."""
    from raysplay.synthetic_data.film.look import Look, draw_looks
    from raysplay.train.degrade import BatchSettings, no_degradation

    def strip(module, floor: float = 0.0) -> None:
        def looks(rng: np.random.Generator, count: int) -> Look:
            look = draw_looks(rng, count)
            nothing = {name: torch.zeros(count) for name in vars(look)}
            one = {k: torch.ones(count) for k in ("gamma", "texture_scale", "texture_stretch", "scatter_width")}
            one |= {"edge_width": torch.ones(count), "high": torch.ones(count), "cortical": torch.full((count,), 0.05)}
            return Look(**(nothing | one | {"floor": torch.full((count,), floor)}))

        monkeypatch.setattr("raysplay.train.exposed_batch.draw_looks", looks)
        nothing = BatchSettings(landmarks=no_degradation(), locator=no_degradation())
        monkeypatch.setattr(module, "degrade_settings", lambda: nothing)
        monkeypatch.setattr(module, "reading_settings", small_reading)

    return strip
