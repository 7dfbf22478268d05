"""Soft parts of a trial: as far, as thick and as soft-edged as asked for, and nothing else of a film changes."""

from dataclasses import replace

import numpy as np
import pytest
import torch
import typer
from scipy.ndimage import distance_transform_edt
from typer.testing import CliRunner

from raysplay.synthetic_data.projection.shadow import SOFT_STEP, project_subjects
from raysplay.synthetic_data.skeleton.command import skeleton_films
from raysplay.synthetic_data.skeleton.films import skeleton_subject
from raysplay.synthetic_data.skeleton.flesh import LAYER_MM, LAYER_THICK_MM, Flesh
from raysplay.synthetic_data.skeleton.flesh_shape import FleshShape
from raysplay.synthetic_data.skeleton.settings import skeleton_settings

PX = 0.5
FILM = torch.tensor([[[1 / PX, 0.0, 200.0], [0.0, -1 / PX, 460.0], [0.0, 0.0, 1.0]]])


def drawn(skeleton, flesh=None):
    subject, _ = skeleton_subject(skeleton, skeleton_settings(), flesh=flesh or Flesh())((3, 1), "dp")
    return subject


def soft_of(subject):
    return project_subjects([subject], FILM, (560, 400)).soft[0].amax(0).numpy()


def test_without_options_nothing_changes_and_with_them_only_the_soft_parts_do(skeleton):
    usual, thick = drawn(skeleton), drawn(skeleton, Flesh(thick=(2.0, 2.0), edge=(3.0, 3.0)))
    assert (usual.skin_edge, usual.layer) == (0.0, None)
    assert np.array_equal(usual.foot.origin, thick.foot.origin)
    assert usual.beam == thick.beam
    assert np.array_equal(usual.density, thick.density)
    assert thick.skin_edge == 3.0


def test_thick_soft_parts_cover_more_of_the_film_and_round_ones_leave_no_gaps(skeleton):
    thin, thick = (soft_of(drawn(skeleton, Flesh(thick=(t, t)))) > 1 for t in (0.8, 2.0))
    assert thick.sum() > 1.2 * thin.sum()
    together = soft_of(drawn(skeleton, Flesh(thick=(1.0, 1.0), shape=FleshShape.ROUND))) > 1
    # No row of the film has air between two stretches of skin.
    starts = np.diff(together.astype(int), axis=1, prepend=0) == 1
    assert starts.sum(1).max() == 1


@pytest.mark.parametrize("times", [0.7, 1.6])
def test_a_layer_ends_where_it_should_by_an_exact_distance_transform(skeleton, times):
    """Reference: ``scipy.ndimage.distance_transform_edt``."""
    subject = drawn(skeleton, Flesh(thick=(times, times), shape=FleshShape.LAYER))
    shadow = project_subjects([subject], FILM, (560, 400))
    far = distance_transform_edt(shadow.outer[0].numpy() <= 0.7) * PX
    far = far[::SOFT_STEP, ::SOFT_STEP]
    soft = shadow.soft[0].sum(0).numpy()[: far.shape[0], : far.shape[1]]
    size = subject.person.size
    reach, cell = LAYER_MM * size * times, 2 * SOFT_STEP * PX
    assert soft[far > reach + cell].max() < 0.12 * soft.max()
    within = soft[(far < reach - cell)]
    assert within == pytest.approx(LAYER_THICK_MM * size * np.sqrt(times), rel=0.1)


def test_a_soft_edge_keeps_the_tissue_and_flattens_its_border(skeleton):
    sharp = drawn(skeleton, Flesh(thick=(1.0, 1.0), shape=FleshShape.LAYER))
    faded = soft_of(replace(sharp, skin_edge=4.0))
    sharp = soft_of(sharp)
    assert faded.sum() == pytest.approx(sharp.sum(), rel=0.02)
    assert np.abs(np.diff(faded, axis=1)).max() < 0.7 * np.abs(np.diff(sharp, axis=1)).max()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--soft-parts", "2", "1"], "--soft-parts"),
        (["--soft-parts", "0", "1"], "--soft-parts"),
        (["--skin-edge", "-1", "1"], "--skin-edge"),
        (["--soft-shape", "cube"], "--soft-shape"),
        (["--condition", "plague"], "no such condition"),
    ],
)
def test_what_no_soft_part_can_be_is_refused_before_anything_is_written(tmp_path, options, said):
    app = typer.Typer()
    app.command()(skeleton_films)
    result = CliRunner().invoke(app, [str(tmp_path), str(tmp_path / "out"), *options])
    assert result.exit_code == 2
    assert said in result.output
    assert not (tmp_path / "out").exists()
