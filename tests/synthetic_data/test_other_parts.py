"""Parts that are not feet: solid bones, projected next to a foot. Anatomy: common knowledge, no source."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from pydantic import ValidationError
from scipy.ndimage import label

from raysplay.synthetic_data.anatomy.loft import BoneShapes, loft, triangles
from raysplay.synthetic_data.anatomy.other_parts import (
    CENTRE,
    OTHER_PARTS,
    _parts,
    _PartsFile,
    draw_other_part,
    part_field,
)
from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names
from raysplay.synthetic_data.projection.shadow import SOFT_STEP, Shadow, Subject, project_subjects
from raysplay.synthetic_data.subject import draw_subject

TETRAHEDRON = torch.tensor([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
"""Faces with outward normals."""


def shadow(subjects: list[Subject], width: float, height: float, pixel: float) -> Shadow:
    """Projected on films of ``width`` x ``height`` mm round the place where the parts lie, y up."""
    rows, columns = int(height / pixel), int(width / pixel)
    matrix = torch.tensor(
        [
            [1 / pixel, 0, columns / 2 - CENTRE[0] / pixel],
            [0, -1 / pixel, rows / 2 + CENTRE[1] / pixel],
            [0, 0, 1],
        ]
    )
    return project_subjects(subjects, matrix.expand(len(subjects), 3, 3), (rows, columns))


def arrays(subject: Subject) -> list[np.ndarray]:
    foot = subject.foot
    return [
        *subject.person.shapes.values(),
        foot.origin,
        foot.frame,
        foot.present,
        subject.skin,
        subject.density,
        np.array(subject.beam.focus),
    ]


def signed_volumes(points: torch.Tensor, faces: torch.Tensor) -> torch.Tensor:
    """Volume inside closed surfaces (..., V, 3) by the divergence theorem; its sign is which way round it is."""
    a, b, c = points.double()[..., faces, :].unbind(-2)
    return (a * torch.linalg.cross(b, c)).sum((-1, -2)) / 6


@pytest.mark.parametrize("kind", OTHER_PARTS)
def test_bones_are_closed_and_right_side_out(kind):
    subjects = [draw_other_part([1, i], kind) for i in range(4)]
    shapes = BoneShapes(
        **{k: torch.as_tensor(np.stack([s.person.shapes[k] for s in subjects])) for k in subjects[0].person.shapes}
    )
    present = torch.as_tensor(np.stack([s.foot.present for s in subjects]))
    outer, inner = (
        signed_volumes(loft(shapes, inside=layer).flatten(2, 3), triangles())[present] for layer in (False, True)
    )
    way_round = signed_volumes(torch.tensor([[0.0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]]), TETRAHEDRON)
    assert way_round == pytest.approx(9**3 / 6)
    foot = draw_subject(0)[0].person.shapes
    metatarsal = BoneShapes(**{k: torch.as_tensor(v[None, :1]) for k, v in foot.items()})
    same = signed_volumes(loft(metatarsal).flatten(2, 3), triangles()).sign()
    assert (inner * same > 0).all()
    assert (outer * same > inner * same).all()
    for s in subjects:
        np.testing.assert_allclose(np.linalg.det(s.foot.frame[s.foot.present]), 1.0, atol=1e-6)

    width, height = part_field(kind)
    shadow_wide = shadow(subjects, 1400, 1600, 4.0)
    seen = shadow(subjects, width, height, 1.0)
    for picture in (shadow_wide, seen):
        # Hollow ends and thin rims of small bones cross themselves by a fraction of a millimetre.
        for lengths in (picture.outer, picture.inner, picture.outer - picture.inner):
            assert lengths.min() > -0.5
        # Skin of bent toes, seen end-on with the ankle, folds a little.
        assert picture.soft.min() > -5.0
    # A leak would run to the edge of a film that holds the whole part.
    for edge in (shadow_wide.outer, shadow_wide.soft):
        rim = torch.cat([edge[..., :2, :].flatten(), edge[..., -2:, :].flatten(), edge[..., :2].flatten()])
        assert rim.abs().max() == 0
    # The part fills a good deal of its own film, with bone and skin.
    assert ((seen.outer > 1.0).float().mean((1, 2)) > 0.07).all()
    assert ((seen.soft.amax(1) > 1.0).float().mean((1, 2)) > 0.15).all()
    assert torch.isfinite(seen.points).all()


@pytest.mark.parametrize("kind", OTHER_PARTS)
def test_seed_decides(kind):
    first, again, other = (draw_other_part(seed, kind) for seed in ((3, 0), (3, 0), (3, 1)))
    for a, b in zip(arrays(first), arrays(again), strict=True):
        np.testing.assert_array_equal(a, b)
    assert not np.array_equal(first.foot.origin, other.foot.origin)
    assert not np.array_equal(first.person.shapes["width"], other.person.shapes["width"])
    assert not np.array_equal(first.skin, other.skin)


def test_hand_shows_separate_fingers():
    flat = []
    for seed in range(24):
        subject = draw_other_part([5, seed], "hand")
        third = 2  # third metacarpal: back of the hand along the beam
        if abs(subject.foot.frame[third, 2, 2]) > 0.95:
            flat.append(subject)
    assert len(flat) >= 10
    names = list(_parts().skeletons["arm"])
    for bones in ("proximal_phalanx", "distal_phalanx"):
        chosen = np.zeros(len(bone_names()), bool)
        chosen[: len(names)] = [name.startswith(bones) for name in names]
        only = [replace(s, foot=replace(s.foot, present=chosen)) for s in flat]
        pieces = [label(picture > 0.4)[1] for picture in shadow(only, 260, 280, 0.7).outer.numpy()]
        assert max(pieces) == 5
        assert min(pieces) >= 4
        # Only fingers laid side by side touch.
        assert np.mean(np.array(pieces) == 5) > 0.75


@pytest.mark.parametrize(
    ("kind", "count"),
    [("hand", 5 + 14 + 8 + 2), ("wrist", 29), ("forearm", 30), ("elbow", 3), ("knee", 4)],
)
def test_number_of_bones(kind, count):
    """Hand: 5 metacarpals, 14 phalanges, 8 carpals, radius, ulna; knee: femur, tibia, fibula, patella."""
    assert draw_other_part(8, kind).foot.present.sum() == count


def test_cast_together_with_a_foot():
    parts = [draw_other_part([2, k], kind) for k, kind in enumerate(OTHER_PARTS)]
    foot, _ = draw_subject(4)
    alone = shadow([foot], 200, 300, 2.0)
    together = shadow([*parts, foot], 200, 300, 2.0)
    torch.testing.assert_close(together.outer[-1], alone.outer[0], rtol=0, atol=0)
    torch.testing.assert_close(together.soft[-1], alone.soft[0], rtol=0, atol=0)
    torch.testing.assert_close(together.points[-1], alone.points[0], rtol=0, atol=1e-3)
    assert together.soft.shape[-2:] == (-(-150 // SOFT_STEP), -(-100 // SOFT_STEP))
    bone = (together.outer > 1.0).float().mean((1, 2))
    assert (bone > 0.03).all()


def test_ankle_looks_at_the_toes():
    """In a frontal view of the ankle the leg lies in the plane of the film and the foot points at the focal spot."""
    for seed in range(6):
        frame = draw_other_part([9, seed], "ankle").foot.frame
        assert frame[bone_index("tibia"), 1, 1] > 0.85
        assert frame[bone_index("calcaneus"), 2, 1] > 0.3


def test_unknown_kind():
    with pytest.raises(ValueError, match="tail"):
        draw_other_part(0, "tail")


def test_parts_file_is_checked():
    table = _parts().model_dump()
    table["skeletons"]["hip"]["femur"]["form"] = "antler"
    with pytest.raises(ValidationError, match="antler"):
        _PartsFile.model_validate(table)
    table = _parts().model_dump()
    del table["fields"]["hip"]
    with pytest.raises(ValidationError, match="fields"):
        _PartsFile.model_validate(table)
