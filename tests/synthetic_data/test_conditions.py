"""Feet unfit for measuring: what is named is on the film, and what is on the film is named.

Where growth plates lie: common knowledge of anatomy. Other checks: common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.ndimage import label

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.synthetic_data.anatomy.growth import AGES
from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names
from raysplay.synthetic_data.projection.crossed_toes import GREAT, HEAVY, SECOND, crossed_share
from raysplay.synthetic_data.projection.shadow import project_subjects
from raysplay.synthetic_data.settings import generator_settings
from raysplay.synthetic_data.subject import ANATOMIC_CONDITIONS, draw_subject

PIXEL = 0.2


def matrix(at, rows, columns, pixel):
    return torch.tensor(
        [[1 / pixel, 0, columns / 2 - at[0] / pixel], [0, -1 / pixel, rows / 2 + at[1] / pixel], [0, 0, 1]]
    )


def show(subject, bones, pixel=PIXEL, size=(500, 500)):
    """Path through some bones of a subject alone, and where on the detector the middle of the film lies."""
    present = np.zeros_like(subject.foot.present)
    present[[bone_index(bone) for bone in bones]] = True
    alone = replace(subject, foot=replace(subject.foot, present=present & subject.foot.present))
    n = bone_index(bones[0])
    at = subject.foot.origin[n] + 0.5 * subject.foot.frame[n][:, 1] * subject.person.shapes["length"][n]
    shadow = project_subjects([alone], matrix(at[:2], *size, pixel)[None], size)
    return shadow.outer[0].numpy()


def seen_from_above(subject):
    """Under a vertical, distant beam and on its sole, so that a narrow gap across a bone is not hidden by its tilt."""
    return replace(subject, beam=replace(subject.beam, distance=1e5, tilt=0.0, side_tilt=0.0))


def laid_flat(subject, bone):
    """The bone turned level about its base: the beam then runs along its growth plate."""
    frame = subject.foot.frame.copy()
    frame[bone_index(bone)] = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    return seen_from_above(replace(subject, foot=replace(subject.foot, frame=frame)))


@pytest.mark.parametrize(
    ("bone", "end"),
    [
        ("metatarsal_1", "base"),
        ("metatarsal_2", "head"),
        ("metatarsal_5", "head"),
        ("proximal_phalanx_1", "base"),
        ("proximal_phalanx_3", "base"),
    ],
)
def test_plates_part_the_bones_of_children_where_anatomy_has_them(bone, end):
    parted = 0
    for seed in range(8):
        child, _ = draw_subject([51, seed], condition="growth_plates")
        assert child.conditions >= {"growth_plates"}
        place, gap, _, _ = child.person.shapes["plate"][bone_index(bone)]
        pieces, _ = label(show(laid_flat(child, bone), [bone]) > 0.8)
        sizes = np.sort(np.bincount(pieces.ravel())[1:])[::-1]
        if gap == 0:  # fused, or the end is not bone yet
            assert (sizes > 100).sum() == 1
            continue
        assert 0.8 <= gap <= 2.5
        assert (place < 0.5) == (end == "base")
        assert (sizes > 25).sum() == 2
        rows = [np.nonzero(pieces == k)[0].mean() for k in 1 + np.argsort(np.bincount(pieces.ravel())[1:])[::-1][:2]]
        # The smaller piece is the epiphysis; rows run downward, toes are up.
        assert (rows[1] > rows[0]) == (end == "base")
        parted += 1
        grown_up, _ = draw_subject([51, seed])
        assert label(show(laid_flat(grown_up, bone), [bone]) > 0.8)[1] == 1
    assert parted >= 5


def test_feet_of_children_are_smaller():
    def length(subject):
        return float(subject.person.shapes["length"][bone_index("metatarsal_2")])

    adults = np.mean([length(draw_subject([52, k])[0]) for k in range(60)])
    children = [length(draw_subject([53, k], condition="growth_plates")[0]) / adults for k in range(60)]
    # Half the size of an adult's foot at two years, nearly all of it at fifteen; people vary by a few percent.
    assert AGES == (2.0, 15.0)
    assert 0.38 < min(children) < 0.62
    assert 0.85 < max(children) < 1.2


def test_the_youngest_have_no_sesamoids_and_a_landmark_without_bone_is_not_placed():
    schema = landmark_schema()
    children = [draw_subject([54, k], condition="growth_plates")[0] for k in range(24)]
    shadow = project_subjects(children, torch.eye(3).expand(24, 3, 3), (8, 8))
    sesamoid = bone_index("medial_sesamoid")
    without = [k for k, child in enumerate(children) if not child.foot.present[sesamoid]]
    assert 6 <= len(without) < 24
    placed = shadow.placed[:, schema.index("SES_T_c")]
    assert [k for k in range(24) if not placed[k]] == without
    assert shadow.placed[:, schema.index("M1p_med")].all()


def test_lost_toes_leave_no_bone_and_no_landmark():
    schema = landmark_schema()
    lost, stumps = 0, 0
    for seed in range(30):
        subject, _ = draw_subject([55, seed], condition="missing_toe")
        assert "missing_toe" in subject.conditions
        present, whole = subject.foot.present, subject.foot.whole
        shadow = project_subjects([subject], matrix((10, -40), 300, 220, 1.0)[None], (300, 220))
        assert torch.isfinite(shadow.points).all()
        for k, bone in enumerate(schema.bones):
            if not (present & whole)[bone_index(bone)]:
                assert not shadow.placed[0, k], schema.codes[k]
        toes = [n for n, name in enumerate(bone_names()) if "phalanx" in name and name[0] != "h"]
        gone = [n for n in toes if not present[n]]
        assert gone
        lost += len(gone)
        for n in np.nonzero(present & ~whole)[0]:
            # A stump is shorter than the bone of the same person before.
            stumps += 1
            assert subject.person.shapes["length"][n] < 0.9 * draw_subject([55, seed])[0].person.shapes["length"][n]
        name = bone_names()[gone[0]]
        assert show(subject, [name]).max() == 0
    assert lost > 60
    assert stumps > 3


def test_overlap_is_named_where_the_film_shows_it():
    for seed in range(16):
        subject, _ = draw_subject([56, seed], condition="overlap" if seed % 2 else None)
        both = []
        for first, others in ((GREAT[0], SECOND), (SECOND[0], GREAT)):
            size = (350, 350)
            under = show(subject, [first], 0.3, size) > 0.5
            n = bone_index(first)
            at = subject.foot.origin[n] + 0.5 * subject.foot.frame[n][:, 1] * subject.person.shapes["length"][n]
            over = np.zeros_like(under)
            for other in others:
                present = np.zeros_like(subject.foot.present)
                present[bone_index(other)] = True
                alone = replace(subject, foot=replace(subject.foot, present=present & subject.foot.present))
                over |= project_subjects([alone], matrix(at[:2], *size, 0.3)[None], size).outer[0].numpy() > 0.5
            both.append((under & over).sum() / under.sum())
        estimate = crossed_share(subject.person, subject.foot, subject.beam)
        assert estimate == pytest.approx(max(both), abs=0.2)
        assert ("overlap" in subject.conditions) == (estimate > HEAVY)
        if max(both) > HEAVY + 0.2:
            assert "overlap" in subject.conditions


def test_asked_for_or_drawn_by_share():
    assert set(ANATOMIC_CONDITIONS) <= set(CONDITIONS)
    for condition in ANATOMIC_CONDITIONS:
        assert all(condition in draw_subject([57, k], condition=condition)[0].conditions for k in range(12))
    plain = [draw_subject([58, k])[0].conditions for k in range(150)]
    assert set().union(*plain) <= {"overlap"}
    assert np.mean([bool(c) for c in plain]) < 0.12
    settings = generator_settings()
    shares = settings.conditions.model_copy(update={"growth_plates": 0.5, "missing_toe": 0.25})
    some = [draw_subject([59, k], settings=settings.model_copy(update={"conditions": shares}))[0] for k in range(150)]
    assert np.mean(["growth_plates" in s.conditions for s in some]) == pytest.approx(0.5, abs=0.13)
    assert np.mean(["missing_toe" in s.conditions for s in some]) == pytest.approx(0.25, abs=0.11)
    with pytest.raises(ValueError, match="wings"):
        draw_subject(0, condition="wings")


@pytest.mark.parametrize("condition", [None, *ANATOMIC_CONDITIONS])
def test_bones_stay_closed_and_the_seed_decides(condition):
    subjects = [draw_subject([60, k], condition=condition)[0] for k in range(12)]
    shadow = project_subjects(subjects, matrix((10, -60), 320, 220, 1.0).expand(12, 3, 3), (320, 220))
    for lengths in (shadow.outer, shadow.inner, shadow.outer - shadow.inner):
        # Hollow ends and thin rims of small bones cross themselves by a millimetre or so, on a few pixels.
        assert lengths.min() > -1.5
        assert (lengths < -0.3).float().mean() < 1e-4
    again = draw_subject([60, 3], condition=condition)[0]
    for key, value in subjects[3].person.shapes.items():
        np.testing.assert_array_equal(value, again.person.shapes[key])
    np.testing.assert_array_equal(subjects[3].skin, again.skin)
