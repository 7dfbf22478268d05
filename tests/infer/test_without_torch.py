"""An installation without torch measures films, and can do all else that is no training and no making of films."""

import csv
import json
import pkgutil
import subprocess
import sys
import textwrap

import numpy as np
import pytest
from PIL import Image

import raysplay.infer
import raysplay.measure
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.weights import save_weights
from raysplay.infer.network.weights_error import WeightsError
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings

BLOCK = """
import sys

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("torch", "torchvision", "onnx", "onnxscript", "albumentations"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Missing())
"""

NETWORKS = {"by_torch", "known_networks", "landmark_network", "locator_network", "normalise", "trunk"}
NETWORKS |= {"torchvision_operators", "weights", "separable", "lean_landmark_network", "lean_locator_network"}

ACCELERATED = {"in_this_process", "networks", "resampling", "upload"}


def run(code, *arguments):
    whole = BLOCK + textwrap.dedent(code)
    return subprocess.run(
        [sys.executable, "-c", whole, *map(str, arguments)], capture_output=True, text=True, timeout=600
    )


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """A generated right foot, as a picture file; where its middle is."""
    folder = tmp_path_factory.mktemp("harbour")
    request = FilmRequest(layout="single", views=("dp",), sides=("R",), toes="up", whole=True)
    shipped = archive_settings()
    settings = shipped.model_copy(update={"film": shipped.film.model_copy(update={"pixel_mm": (0.28, 0.32)})})
    made = compose_film([77, 0], settings, request)
    path = folder / "keeper.png"
    Image.fromarray((np.clip(made.pixels, 0, 1) * 65535).astype(np.uint16)).save(path)
    return path


def test_measure_needs_no_torch_and_gives_what_torch_gives(film, tmp_path):
    code = """
    import atexit
    from raysplay.train.cli import main
    atexit.register(lambda: print("pydicom" in sys.modules))
    sys.argv = ["raysplay", "measure", sys.argv[1], "--out", sys.argv[2]]
    main()
    """
    done = run(code, film, tmp_path / "out")
    assert done.returncode == 0, done.stdout + done.stderr
    # Of use in the process that decodes alone, and long to import.
    assert done.stdout.splitlines()[-1] == "False"
    with (tmp_path / "out" / "feet.csv").open(encoding="utf-8-sig", newline="") as table:
        (row,) = [one for one in csv.DictReader(table) if one["foot"]]
    assert row["foot"] == "R"
    # Reference: the same networks read by torch, in this process.
    by_torch = FootReader(*FootReader.shipped_weights(), runtime="torch", threads=1)
    with FilmReader() as films:
        opened = films.read(film)
    (foot,) = by_torch.find(opened)
    reference = by_torch.landmarks(opened, foot)
    import pyarrow.parquet as pq

    table = pq.read_table(tmp_path / "out" / "landmarks.parquet").to_pydict()
    points = np.stack([table["x"], table["y"]], axis=1)
    scale = float(np.sqrt(abs(np.linalg.det(foot.film_from_crop[:2, :2]))))
    sure = reference.confidence > 0.5
    assert sure.sum() > 40
    assert np.abs(points - reference.points)[sure].max() / scale < 0.05
    about = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert about["versions"]["onnxruntime"] != "not installed"


def test_every_module_that_measures_reviews_or_reports_can_be_imported(tmp_path):
    skipped = {f"raysplay.infer.network.{name}" for name in NETWORKS}
    skipped |= {f"raysplay.infer.accelerator.{name}" for name in ACCELERATED}
    names = []
    for package in (raysplay.infer, raysplay.measure):
        names += [one.name for one in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")]
    wanted = [name for name in names if name not in skipped and not name.endswith("__main__")]
    assert len(wanted) > 150
    code = """
    import importlib
    for name in sys.argv[1:]:
        importlib.import_module(name)
    """
    done = run(code, *wanted)
    assert done.returncode == 0, done.stderr[-2000:]


def test_commands_that_need_torch_say_so_in_one_line(tmp_path):
    code = """
    from raysplay.train.cli import main
    sys.argv = ["raysplay", "synthesize", "--n", "1", "--seed", "3", "--out", sys.argv[1]]
    main()
    """
    done = run(code, tmp_path / "films")
    assert done.returncode == 2
    assert "the library torch is missing" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("more", [(), ("--workers", "2"), ("--landmark-weights", "quick")])
def test_an_accelerator_is_refused_in_one_line(film, tmp_path, more):
    code = """
    from raysplay.train.cli import main
    sys.argv = ["raysplay", "measure", sys.argv[1], "--out", sys.argv[2], "--accelerator", "auto", *sys.argv[3:]]
    main()
    """
    done = run(code, film, tmp_path / "out", *more)
    assert done.returncode == 2
    assert "an accelerator needs torch, which is not installed: pip install 'raysplay[torch]'" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


def test_an_accelerator_in_python_is_refused_before_the_first_film(film):
    code = """
    from raysplay.infer import measure
    from raysplay.infer.accelerator.accelerator_error import AcceleratorError
    try:
        next(measure(sys.argv[1], accelerator="cuda"))
    except AcceleratorError as error:
        print(error)
    """
    done = run(code, film)
    assert done.returncode == 0, done.stderr
    assert "needs torch" in done.stdout


def test_weights_of_an_unknown_network_are_refused_in_one_line(film, tmp_path):
    from torch import nn

    save_weights(nn.Linear(3, 2), tmp_path / "harbour.safetensors", {})
    code = """
    from raysplay.train.cli import main
    sys.argv = ["raysplay", "measure", sys.argv[1], "--out", sys.argv[2], "--landmark-weights", sys.argv[3]]
    main()
    """
    done = run(code, film, tmp_path / "out", tmp_path / "harbour.safetensors")
    assert done.returncode == 2
    assert "harbour.safetensors: made for another network or landmark list" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()
    # With torch: the same, once its own networks were tried.
    locator, _ = FootReader.shipped_weights()
    with pytest.raises(WeightsError, match=r"harbour\.safetensors: made for another network"):
        FootReader(locator, tmp_path / "harbour.safetensors")
