"""How people differ: published sizes and shares, extra bones, order of the bones."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.synthetic_data.anatomy.person import draw_person
from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.anatomy.rest import FINE, bone_index
from raysplay.synthetic_data.distributions import compare, measure_feet, published
from raysplay.synthetic_data.projection.shadow import project_subjects
from raysplay.synthetic_data.settings import generator_settings
from raysplay.synthetic_data.subject import draw_subject


@pytest.fixture(scope="module")
def people():
    rng = np.random.default_rng(61)
    return [draw_person(rng, generator_settings().person) for _ in range(700)]


@pytest.fixture(scope="module")
def feet():
    return measure_feet(400, seed=62)


def share(people, bone, female=None):
    chosen = [p for p in people if female is None or p.female == female]
    return np.mean([p.present[bone_index(bone)] for p in chosen])


def test_bones_of_a_few_come_as_often_as_published(people):
    # Bipartite medial sesamoid: Chonnam 2005, 400 adults, women 17.0 %, men 2.5 %. Hallux interphalangeal sesamoid:
    # 35.8 % in a Korean series. MTP2 3 to 5 %, MTP5 7.5 to 8.9 %.
    assert share(people, "medial_sesamoid_half", True) == pytest.approx(0.17, abs=0.06)
    assert share(people, "medial_sesamoid_half", False) == pytest.approx(0.025, abs=0.03)
    assert share(people, "hallux_interphalangeal_sesamoid") == pytest.approx(0.358, abs=0.07)
    assert share(people, "second_sesamoid") == pytest.approx(0.04, abs=0.03)
    assert share(people, "fifth_sesamoid") == pytest.approx(0.082, abs=0.04)


def test_first_ray_is_as_long_as_published(people):
    # Patil et al. 2017, PMC5713710: first metatarsal 56.4 (4.4) men, 50.1 (3.1) women; phalanx 28.0, 25.8.
    for bone, means in (("metatarsal_1", (56.4, 50.1)), ("proximal_phalanx_1", (28.0, 25.8))):
        for female, mean in enumerate(means):
            lengths = [p.shapes["length"][bone_index(bone)] for p in people if p.female == bool(female)]
            assert np.mean(lengths) == pytest.approx(mean, rel=0.06)


def test_people_differ_more_than_one_specimen_with_noise(people):
    # Some people lie far from the mean: fourth moments above that of a normal distribution (3).
    ratio = np.array(
        [
            np.log(p.shapes["width"][bone_index("metatarsal_2"), 3] / p.shapes["width"][bone_index("metatarsal_2"), 32])
            for p in people
        ]
    )
    z = (ratio - ratio.mean()) / ratio.std()
    assert ratio.std() > 0.1
    assert np.mean(np.abs(z) > 2.5) > 0.003
    first = bone_index("metatarsal_1")
    square = np.array([p.shapes["caps"][first, 1, 0] for p in people])
    assert square.min() < 2.2
    assert square.max() > 4.7
    cortex = np.array([p.shapes["cortex"][bone_index("metatarsal_2"), 0] for p in people])
    # Foot Ankle Int 1996: medial cortex of the second metatarsal 3.2, 2.0 to 5.5 mm; osteopenia makes it thinner.
    assert np.percentile(cortex, 50) == pytest.approx(2.8, abs=0.8)
    assert np.percentile(cortex, 95) > 3.8
    density = np.array([p.density.mean() for p in people])
    assert np.corrcoef(cortex, density)[0, 1] > 0.1


def test_metatarsals_keep_their_order_and_do_not_run_through_each_other():
    # Shafts lie side by side from the first to the fifth: common knowledge of anatomy.
    apart = []
    for seed in range(60):
        subject, _ = draw_subject([63, seed])
        foot, shapes = subject.foot, subject.person.shapes
        index = [bone_index(f"metatarsal_{ray}") for ray in range(1, 6)]
        middle = [foot.origin[i] + 0.5 * shapes["length"][i] * foot.frame[i][:, 1] for i in index]
        assert (np.diff([m[0] for m in middle]) > 0).all()
        girth = [0.25 * (shapes["width"][i, FINE // 2] + shapes["height"][i, FINE // 2]) for i in index]
        apart += [np.linalg.norm(middle[k] - middle[k + 1]) / (girth[k] + girth[k + 1]) for k in range(4)]
    assert np.mean(np.array(apart) > 1.0) > 0.9
    assert min(apart) > 0.65


def test_the_outline_of_a_sesamoid_in_two_parts_is_that_of_both():
    # Definition of configs/landmarks.yaml: edges across the first metatarsal's axis; clinical_facts: whole outline.
    schema = landmark_schema()
    whole, half = bone_index("medial_sesamoid"), bone_index("medial_sesamoid_half")
    subjects = [draw_subject([64, k])[0] for k in range(80)]
    subject = next(s for s in subjects if s.foot.present[half])
    codes = ("SES_T_med", "SES_T_lat", "SES_T_c")
    eye = torch.eye(3)[None]
    both = project_subjects([subject], eye, (8, 8)).detector_points[0]
    alone = []
    for gone in (half, whole):
        present = subject.foot.present.copy()
        present[gone] = False
        if gone == whole:  # the second part in the place of the first
            origin, shapes = subject.foot.origin.copy(), {k: v.copy() for k, v in subject.person.shapes.items()}
            origin[whole] = origin[half]
            for value in shapes.values():
                value[whole] = value[half]
            present[[whole, half]] = True, False
            moved = replace(subject.foot, origin=origin, present=present)
            only = replace(subject, foot=moved, person=replace(subject.person, shapes=shapes))
        else:
            only = replace(subject, foot=replace(subject.foot, present=present))
        alone.append(project_subjects([only], eye, (8, 8)).detector_points[0])
    axis = both[schema.index("M1d_med")] + both[schema.index("M1d_lat")]
    axis = axis - both[schema.index("M1p_med")] - both[schema.index("M1p_lat")]
    across = torch.stack([axis[1], -axis[0]]) / axis.norm()
    medial, lateral, centre = ([float(p[schema.index(code)] @ across) for p in (both, *alone)] for code in codes)
    assert medial[0] == pytest.approx(min(medial[1:]), abs=1e-3)
    assert lateral[0] == pytest.approx(max(lateral[1:]), abs=1e-3)
    along = [float(p[schema.index("SES_T_c")] @ (axis / axis.norm())) for p in (both, *alone)]
    assert min(along[1:]) < along[0] < max(along[1:])
    assert medial[0] < centre[0] < lateral[0]


def test_a_high_arch_is_steeper_than_a_flat_one():
    # Calcaneal pitch and metatarsal inclination define flat and high arches: common practice, no source.
    subject, posture = draw_subject([65, 1])
    first = bone_index("metatarsal_1")

    def fall(arch):
        foot = pose(subject.person, replace(posture, arch=arch))
        return np.degrees(np.arcsin(-(foot.turn.T @ foot.frame[first][:, 1])[2]))

    assert fall(0.55) < fall(0.85) < fall(1.2)
    assert fall(1.2) - fall(0.55) > 12


def test_generated_feet_lie_near_the_published_figures(feet):
    # Sources row by row in synthetic_data/anatomy/published.yaml; here those seen in print, and how near 400 feet are.
    rows = {row["item"]: row for row in compare(feet)}
    near = {
        "hva, normal": 2.5, "ima, normal": 1.2, "hva, valgus": 3.0, "ima, valgus": 1.5, "dmaa, valgus": 3.5,
        "pronation, normal": 2.5, "pronation, valgus": 3.0, "m1_arc, normal": 2.0, "m3_arc, normal": 1.5,
        "m4_arc, normal": 2.0, "m5_arc, normal": 3.0, "inclination_1, everyone": 3.0,
    }  # fmt: skip
    for item, tolerance in near.items():
        assert rows[item]["generated_mean"] == pytest.approx(rows[item]["published_mean"], abs=tolerance), item
    for item in ("tsp < 0.3333, normal", "tsp > 0.3333, valgus", "maa > 20, valgus"):
        row = rows[item]
        assert row["generated_share"] == pytest.approx(row["published_share"], abs=0.15), item
    row = rows["hva with ima, everyone"]
    assert row["generated_correlation"] == pytest.approx(row["published_correlation"], abs=0.1)
    assert all(row["evidence"] in {"seen", "memory", "derived", "proposed"} for row in rows.values())


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # spread of a single foot
def test_figures_are_reckoned_as_by_hand(feet):
    count = 4
    known = {name: np.full(count, 7.0) for name in feet}
    known |= {"part": np.array([0.0, 0, 1, 1]), "female": np.array([0.0, 1, 0, 1])}
    known |= {"hva": np.array([8.0, 12, 25, 35]), "ima": np.array([7.0, 9, 14, np.nan])}
    known |= {"dmaa": np.array([5.0, 6, 11, 17]), "pronation": np.array([4.0, 9, 10, 20])}
    known |= {"tsp": np.array([0.2, 0.5, 0.3, 0.9])}
    rows = {row["item"]: row for row in compare(known)}
    assert len(rows) == len(published())
    assert rows["hva, normal"]["generated_mean"] == 10.0
    assert rows["hva, normal"]["generated_sd"] == pytest.approx(8**0.5)
    assert rows["ima, valgus"]["feet"] == 1
    assert rows["ima, valgus"]["generated_mean"] == 14.0
    assert rows["tsp > 0.3333, valgus"]["generated_share"] == 0.5
    assert rows["tsp < 0.3333, normal"]["generated_share"] == 0.5
    # Three known pairs (8, 7), (12, 9), (25, 14): r from sums of squares 158, 26 and products 64.
    assert rows["hva with ima, everyone"]["generated_correlation"] == pytest.approx(64 / (158 * 26) ** 0.5)
