"""Films of generated feet, and networks in batches on the processor, which needs no graphics card."""

from pathlib import Path

import numpy as np
import pytest
import torch

from raysplay.infer.accelerator.networks import AcceleratedNetworks
from raysplay.infer.accelerator.settings import accelerator_settings
from raysplay.infer.films.film import Film, Spacing
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.shipped_weights import weights_meant
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings

QUICK = FootReader.weights_by_landmarks(weights_meant("quick"))


@pytest.fixture(scope="package")
def generated():
    """A film of one foot, one of two, and one whose edge cuts through the foot."""
    shipped = archive_settings()
    settings = shipped.model_copy(update={"film": shipped.film.model_copy(update={"pixel_mm": (0.24, 0.3)})})
    films = []
    for seed, layout in ((1, "single"), (2, "both"), (3, "single")):
        made = compose_film([79, seed], settings, FilmRequest(layout=layout, views=("dp",) * (1 + (layout == "both"))))
        pixels = np.ascontiguousarray(made.pixels, np.float32)
        films.append(Film(Path(f"keeper-{seed}.dcm"), pixels, Spacing()))
    return films


@pytest.fixture(scope="package")
def held():
    """The quick networks, three pictures in a batch."""
    torch.set_num_threads(1)
    limits = accelerator_settings().model_copy(update={"batch": 3})
    networks = AcceleratedNetworks(torch.device("cpu"), *QUICK, limits=limits)
    yield networks
    networks.close()
