"""Which skeleton: by name, by path, and one clear error for a list that does not fit."""

from pathlib import Path

import pytest
import typer
import yaml
from typer.testing import CliRunner

from raysplay.configs.load import ConfigError
from raysplay.measure import by_name
from raysplay.synthetic_data.skeleton import settings as module
from raysplay.synthetic_data.skeleton.command import skeleton_films
from raysplay.synthetic_data.skeleton.settings import skeleton_settings

SHIPPED = sorted(path.stem for path in Path(module.__file__).parent.glob("*.yaml"))


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_skeleton_says_whence_it_is_and_what_is_known(name):
    chosen = skeleton_settings(name)
    assert "Apache" in chosen.source or "CC Attribution-ShareAlike" in chosen.source  # licence of the meshes
    assert {by_name(measure).name for measure in chosen.known} >= {"hva", "ima"}
    assert {f"metatarsal_{ray}" for ray in range(1, 6)} < chosen.bones.keys()


def own(tmp_path, **changes):
    content = yaml.safe_load((Path(module.__file__).parent / "osim_rl.yaml").read_text(encoding="utf-8"))
    path = tmp_path / "own.yaml"
    path.write_text(yaml.safe_dump({**content, **changes}), encoding="utf-8")
    return str(path)


def test_a_file_of_ones_own_is_read_from_its_path(tmp_path):
    assert skeleton_settings(own(tmp_path, source="mine")).source == "mine"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"files": {"tulas.stl": {"shift": [0.0, 0.0, 0.0]}}}, r"own\.yaml.*no bone of tulas\.stl"),
        ({"bones": {"metatarsal_6": {"file": "a.stl", "core": 0.2, "axis": "own"}}}, "no such bone: metatarsal_6"),
        ({"axes": [0, 0, 1]}, "axes must name 0, 1 and 2"),
    ],
)
def test_a_list_that_does_not_fit_is_one_clear_error(tmp_path, changes, reason):
    with pytest.raises(ConfigError, match=reason):
        skeleton_settings(own(tmp_path, **changes))


def test_the_command_names_a_skeleton_that_is_not_there_and_a_folder_that_does_not_fit(tmp_path):
    app = typer.Typer()
    app.command()(skeleton_films)
    run = CliRunner(env={"COLUMNS": "300", "TERM": "dumb"})
    unknown = run.invoke(app, [str(tmp_path), str(tmp_path / "out"), "--settings", "none_such"])
    assert unknown.exit_code == 2
    assert "none_such.yaml: cannot be read" in unknown.output
    empty = run.invoke(app, [str(tmp_path), str(tmp_path / "out"), "--settings", "osim_rl"])
    assert empty.exit_code == 2
    assert "calcaneous_rv.stl: no readable mesh" in empty.output
    assert not (tmp_path / "out").exists()
