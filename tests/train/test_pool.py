"""The pool of projected feet: reproducible, renewed oldest first, landmarks on the bones they name."""

import dataclasses
import multiprocessing

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.train.pool import Pool, draw_group

SHARES = {"dp": 0.5, "oblique": 0.2, "lateral": 0.15, "other": 0.15}


def numbers(value):
    """Every number in a subject, in a fixed order."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from numbers(getattr(value, field.name))
    elif isinstance(value, dict):
        for key in sorted(value):
            yield from numbers(value[key])
    elif isinstance(value, tuple | list):
        for part in value:
            yield from numbers(part)
    elif isinstance(value, np.ndarray | int | float | np.number):
        yield np.asarray(value, float).ravel()


def test_a_group_is_the_same_for_the_same_seed_and_number():
    (first, views), (again, same) = (draw_group(4, 2, 5, SHARES) for _ in range(2))
    assert views == same
    for a, b in zip(first, again, strict=True):
        assert np.array_equal(np.concatenate(list(numbers(a))), np.concatenate(list(numbers(b))), equal_nan=True)
    for other in (draw_group(4, 3, 5, SHARES), draw_group(5, 2, 5, SHARES)):
        assert not np.array_equal(first[0].skin, other[0][0].skin)


def test_feet_of_a_group_differ():
    subjects, views = draw_group(4, 0, 6, {"dp": 1.0})
    assert views == [0] * 6
    assert len({s.skin.tobytes() for s in subjects}) == 6


@pytest.mark.parametrize("view", VIEWS)
def test_only_views_with_a_share_are_drawn(view):
    _, views = draw_group(1, 1, 4, {view: 1.0} | {v: 0.0 for v in VIEWS if v != view})
    assert views == [VIEWS.index(view)] * 4


def test_shares_are_kept():
    views = np.concatenate([draw_group(7, k, 25, SHARES)[1] for k in range(8)])
    for name, share in SHARES.items():
        # 200 draws: four standard errors of a share.
        error = 4 * np.sqrt(share * (1 - share) / len(views))
        assert np.mean(views == VIEWS.index(name)) == pytest.approx(share, abs=error)


def test_stored_landmarks_lie_on_stored_bones(pool):
    schema = landmark_schema()
    hits = []
    for k in np.nonzero((pool.views == 0).numpy())[0]:
        bone = pool.lengths[k, :2].sum(0).numpy()
        points = pool.points[k].numpy()
        for name in ("M1", "M2", "M5"):
            for end in ("p", "d"):
                corners = [points[schema.index(f"{name}{end}_{side}")] for side in ("med", "lat")]
                x, y = np.rint(np.mean(corners, 0)).astype(int)
                hits.append(bone[y, x] > 3.0)
    assert len(hits) >= 36
    assert np.mean(hits) > 0.97


def test_all_three_materials_are_held_and_none_is_negative(pool):
    assert float(pool.lengths.min()) >= 0
    feet = pool.lengths[pool.views == 0]
    assert (feet.amax((2, 3)) > torch.tensor([5.0, 5.0, 20.0])).all()


def test_the_oldest_feet_are_replaced(pool, coarse):
    small = Pool(
        coarse.model_copy(update={"size": 3, "projection_batch": 2, "view_shares": {"dp": 1.0}}), 9, pool.device
    )
    small.fill(1)
    assert (small.filled, small.projected_count) == (2, 2)
    small.fill(99)
    assert (small.filled, small.projected_count) == (3, 4)
    # Feet 0, 1, 2, 3 in three places: the fourth lies where the first lay.
    subjects = [s for k in range(2) for s in draw_group(9, k, 2, {"dp": 1.0})[0]]
    single = Pool(
        coarse.model_copy(update={"size": 4, "projection_batch": 4, "view_shares": {"dp": 1.0}}), 9, pool.device
    )
    single._groups = iter([(subjects, [0] * 4)])
    single.project_group()
    torch.testing.assert_close(small.points, single.points[[3, 1, 2]])
    torch.testing.assert_close(small.lengths, single.lengths[[3, 1, 2]], rtol=1e-3, atol=1e-2)


def test_a_step_projects_what_it_owes(pool, coarse, monkeypatch):
    renewed = Pool(coarse.model_copy(update={"refresh": 3.0, "projection_batch": 8}), 1, pool.device)
    projected = []
    monkeypatch.setattr(renewed, "project_group", lambda: projected.append(1))
    for _ in range(16):
        renewed.refresh()
    assert len(projected) * 8 == 16 * 3


def test_feet_are_drawn_by_view_where_there_are_any(pool):
    generator = torch.Generator().manual_seed(1)
    drawn = pool.draw(64, generator)
    assert int(drawn.min()) >= 0
    assert int(drawn.max()) < pool.filled
    assert len(drawn.unique()) > 8
    assert (pool.views[pool.draw(20, generator, 0)] == 0).all()
    none = next(v for v in range(9) if not (pool.views == v).any())
    assert len(pool.draw(20, generator, none)) == 20


def test_conditions_are_drawn_by_their_shares_and_kept_with_the_feet(coarse, pool):
    shares = {"growth_plates": 0.5, "missing_toe": 0.5}
    subjects, _ = draw_group(2, 0, 24, {"dp": 1.0}, shares)
    has = [s.conditions & set(shares) for s in subjects]
    assert all(len(h) == 1 for h in has)
    # 24 draws of one half: four standard errors.
    assert np.mean(["growth_plates" in h for h in has]) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(24))

    small = Pool(coarse.model_copy(update={"size": 4, "projection_batch": 4}), 9, pool.device)
    small._groups = iter([(subjects[:4], [0] * 4)])
    small.project_group()
    for k, subject in enumerate(subjects[:4]):
        assert {c for c, there in zip(CONDITIONS, small.conditions[k], strict=True) if there} == set(subject.conditions)
        # A lost toe takes landmarks with it; those of a metatarsal stay unless it was shortened or lost, too.
        assert not ("missing_toe" in subject.conditions and small.placed[k].all())
        for code, bone in (("M1_head_c", "metatarsal_1"), ("M5p_med", "metatarsal_5")):
            n = bone_index(bone)
            there = subject.foot.whole[n] and subject.foot.present[n]
            assert bool(small.placed[k, landmark_schema().index(code)]) == there


def test_a_share_of_nothing_leaves_feet_without_conditions():
    subjects, _ = draw_group(2, 0, 12, {"dp": 1.0}, {"growth_plates": 0.0, "missing_toe": 0.0})
    assert all(not s.conditions & {"growth_plates", "missing_toe"} for s in subjects)


def test_processes_draw_the_same_feet_and_end(coarse, pool):
    drawn = [
        Pool(coarse.model_copy(update={"size": 2, "projection_batch": 2, "workers": workers}), 5, pool.device)
        for workers in (0, 1)
    ]
    for one in drawn:
        one.fill(2)
        one.close()
    torch.testing.assert_close(drawn[0].points, drawn[1].points, rtol=0, atol=1e-3)
    assert multiprocessing.active_children() == []
