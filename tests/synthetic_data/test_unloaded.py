"""What is taken off a foot with its load, against the figures that the settings name."""

import numpy as np
import pytest

from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.synthetic_data.subject import draw_subject
from raysplay.synthetic_data.unloaded import unloaded

FEET = 80


@pytest.fixture(scope="module")
def pairs():
    """Person, posture with load, posture without."""
    drawn = [draw_subject([27182, k]) for k in range(FEET)]
    rng = np.random.default_rng(1)
    return [(subject.person, posture, unloaded(rng, posture)) for subject, posture in drawn]


def test_standing_lowers_hva_and_raises_ima_by_one_to_two_degrees(pairs):
    """104 patients, J Foot Ankle Surg 2019 (fact sheet, section 5.2, S)."""
    assert 1.0 < np.mean([lying.hva - standing.hva for _, standing, lying in pairs]) < 2.0
    assert 1.0 < np.mean([standing.ima - lying.ima for _, standing, lying in pairs]) < 2.0


def _fall(foot, bone):
    axis = foot.frame[bone_index(bone)][:, 1]
    return np.degrees(np.arctan2(-axis[2], axis[1]))


def test_without_load_the_arch_stands_as_much_higher_as_the_settings_say(pairs):
    """Navicular 8 mm, first metatarsal 6.6 degrees, its angle with the talus 4.6: computed from the bones (D)."""
    navicular, first, both = [], [], []
    for person, standing, lying in pairs:
        low, high = pose(person, standing), pose(person, lying)
        # As the bones lie to each other, whatever the pitch of the foot.
        bones = [
            [(foot.turn.T @ (foot.origin[bone_index(name)] - foot.pivot))[2] for name in ("navicular",)]
            for foot in (low, high)
        ]
        navicular.append((bones[1][0] - bones[0][0]) / person.size)
        falls = [[_fall(foot, name) for name in ("metatarsal_1", "talus")] for foot in (low, high)]
        first.append(falls[1][0] - falls[0][0])
        both.append((falls[1][0] - falls[1][1]) - (falls[0][0] - falls[0][1]))
    assert np.mean(navicular) == pytest.approx(8.0 / 0.8, abs=1.5)  # of a foot of size 1; people are about 0.8 of it
    assert np.mean(first) == pytest.approx(6.6, abs=1.0)
    assert np.mean(both) == pytest.approx(4.6, abs=1.0)


def test_only_what_has_a_figure_changes(pairs):
    for _, standing, lying in pairs:
        changed = {name for name, value in vars(standing).items() if value != getattr(lying, name)}
        assert changed <= {"hva", "ima", "arch"}
        assert lying.arch >= standing.arch
