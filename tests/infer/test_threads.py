"""What a run writes does not depend on how many films are looked at at once, nor in how many processes."""

import numpy as np
import pytest
from PIL import Image

from raysplay.infer.measuring import measure_into
from raysplay.infer.outputs.run_files import CHECKED
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    """Pictures of generated films: of one foot, of two, and none at all."""
    folder = tmp_path_factory.mktemp("harbour")
    shipped = archive_settings()
    settings = shipped.model_copy(update={"film": shipped.film.model_copy(update={"pixel_mm": (0.4, 0.45)})})
    for seed, layout in enumerate(("single", "both", "single")):
        made = compose_film([79, seed], settings, FilmRequest(layout=layout, toes="up", whole=True))
        Image.fromarray((np.clip(made.pixels, 0, 1) * 255).astype(np.uint8)).save(folder / f"keeper-{seed}.png")
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (300, 300), np.uint8)).save(folder / "fog.png")
    (folder / "log.txt").write_text("no film", encoding="utf-8")
    return folder


def written(folder):
    pictures = sorted((folder / "overlays").iterdir())
    assert len(pictures) >= 3
    return {path.name: path.read_bytes() for path in (*(folder / name for name in CHECKED), *pictures)}


def test_threads_and_processes_write_the_same_bytes(films, tmp_path):
    run = measure_into(films, tmp_path / "one", threads=1)
    alone = written(tmp_path / "one")
    assert run.report.operations > 1e9
    assert run.report.seconds.keys() >= {"decode", "find", "landmarks", "refine", "measure", "overlay", "waiting"}
    for name, how in {"several": {"threads": 3}, "processes": {"workers": 2}}.items():
        other = measure_into(films, tmp_path / name, **how)
        assert written(tmp_path / name) == alone
        assert other.report.operations == run.report.operations
