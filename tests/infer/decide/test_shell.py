"""A cast is told by the wall of its shell beside the foot, on films drawn here: every height is known beforehand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from raysplay.configs.conditions import CONDITIONS
from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.decide.shell import shell_end, shell_wall
from raysplay.infer.films.film import Spacing
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome

LIMITS = decision_settings()
SHELL = LIMITS.conditions["cast"].shell
DARK, SOFT, PX_MM = 0.1, 0.4, 0.2
SKIN_MM, WALL_MM = 10.0, (18.0, 24.0)


def drawn(case, *, wall=0.0, blur_mm=0.5, enhanced=0.0, side="R", squash=1, letter=False, end=0.0, lean=0.0):
    """Even soft parts to 10 mm outside the outer metatarsals and, 8 mm farther, a wall ``wall`` contrasts high."""
    foot = case(side=side)
    at = {code: foot.landmarks.points[foot.schema.index(code)] for code in ("M1p_med", "M1d_med", "M5p_lat", "M5d_lat")}
    rows, columns = foot.film.pixels.shape
    y, x = np.mgrid[:rows, :columns]
    far = np.full((rows, columns), -np.inf)
    for near, distant in (("M1p_med", "M1d_med"), ("M5p_lat", "M5d_lat")):
        way = (at[distant] - at[near]) / np.linalg.norm(at[distant] - at[near])
        across = np.array([-way[1], way[0]])
        middle = np.mean([at["M1p_med"], at["M5p_lat"]], axis=0)
        across *= np.sign((at[near] - middle) @ across)
        far = np.maximum(far, (x - at[near][0]) * across[0] + (y - at[near][1]) * across[1])
    mm = far * PX_MM
    grey = np.where(mm < SKIN_MM, SOFT, DARK)
    grey = np.where((mm > WALL_MM[0]) & (mm < WALL_MM[1]), DARK + wall * (SOFT - DARK), grey)
    if letter:
        # 12 mm high, as bright as a wall, where the wall would be: beside a fifth of the strip.
        top = int(at["M5d_lat"][1])
        grey = np.where((mm > WALL_MM[0]) & (mm < WALL_MM[1]) & (y > top) & (y < top + 12 / PX_MM), 1.0, grey)
    if end:
        # A slab under the foot that ends across the metatarsals, at a slant.
        stop = at["M1d_med"][1] + lean * (x - at["M1p_med"][0])
        grey = np.where((mm < SKIN_MM) & (y > stop), grey + end * (SOFT - DARK), grey)
    grey = gaussian_filter(grey, blur_mm / PX_MM)
    grey = grey + enhanced * (grey - gaussian_filter(grey, 2.0 / PX_MM))
    if squash > 1:
        grey = grey.reshape(rows // squash, squash, columns).mean(1)
        points = foot.landmarks.points * [1, 1 / squash] + [0, 0.5 / squash - 0.5]
        foot = replace(foot, landmarks=replace(foot.landmarks, points=points))
    spacing = Spacing(PX_MM * squash, PX_MM, foot.film.spacing.kind, aspect=float(squash))
    return replace(foot, film=replace(foot.film, pixels=grey.astype(np.float32), spacing=spacing))


def with_chance(foot, chance):
    chances = dict.fromkeys(CONDITIONS, 0.01) | {"cast": chance}
    return replace(foot, landmarks=replace(foot.landmarks, conditions=chances))


def called(foot, chance):
    return [r for r in decide(with_chance(foot, chance), LIMITS).reasons if r.kind is ReasonKind.CAST]


@pytest.mark.parametrize("side", ["R", "L"])
@pytest.mark.parametrize("squash", [1, 2])
@pytest.mark.parametrize("height", [0.4, 0.8, 1.5])
def test_a_wall_stands_out_by_its_height(case, side, squash, height):
    """Beside either foot, and on pixels that are not square."""
    assert shell_wall(drawn(case, wall=height, side=side, squash=squash)) == pytest.approx(height, rel=0.12)


@pytest.mark.parametrize("blur_mm", [0.5, 2.0, 5.0])
def test_skin_with_a_sharp_or_a_soft_edge_has_no_wall(case, blur_mm):
    assert abs(shell_wall(drawn(case, blur_mm=blur_mm))) < 0.05


def test_a_letter_beside_the_foot_is_no_wall(case):
    assert shell_wall(drawn(case, letter=True)) < 0.05


def test_the_bright_line_of_an_enhanced_edge_is_less_than_a_wall(case):
    assert shell_wall(drawn(case, enhanced=1.5)) < SHELL.wall_from


@pytest.mark.parametrize("side", ["R", "L"])
@pytest.mark.parametrize("lean", [-0.2, 0.0, 0.3])
@pytest.mark.parametrize("height", [0.2, 0.6])
def test_the_end_of_a_slab_steps_down_by_its_height(case, side, height, lean):
    """A step of height h that is blurred by s falls by h / (s sqrt(2 pi)) at its steepest."""
    foot = drawn(case, end=height, side=side, lean=lean)
    points = foot.landmarks.points[
        [foot.schema.index(f"M2{level}_{edge}") for level in "pd" for edge in ("med", "lat")]
    ]
    length = np.linalg.norm(points[2:].mean(0) - points[:2].mean(0)) / 0.4
    blur = np.hypot(1.3, 0.5 / PX_MM * 80 / length)
    expected = height / (blur * np.sqrt(2 * np.pi))
    # In contrasts of what lies there: most of it is soft parts, some of it with the slab.
    assert expected / (1 + height) * 0.75 < shell_end(foot) < expected * 1.1
    assert called(foot, 0.93)


@pytest.mark.parametrize("blur_mm", [0.5, 2.0, 5.0])
def test_a_foot_without_a_slab_has_no_end_of_one(case, blur_mm):
    assert shell_end(drawn(case, blur_mm=blur_mm)) < 0.2 * SHELL.end_from


def test_a_foot_that_lies_at_the_border_of_the_film_says_nothing(case):
    foot = drawn(case, wall=1.0)
    xs = [foot.landmarks.points[foot.schema.index(code)][0] for code in ("M1d_med", "M5d_lat")]
    left = int(min(xs)) - 1
    narrow = foot.film.pixels[:, left : int(max(xs)) + 1]
    moved = replace(foot.landmarks, points=foot.landmarks.points - [left, 0])
    cut = replace(foot, film=replace(foot.film, pixels=narrow), landmarks=moved)
    assert shell_wall(cut) is None
    assert shell_end(cut) is None
    assert called(cut, 0.93)


def test_doubtful_points_leave_their_side_out(case):
    foot = drawn(case, wall=1.0)
    doubted = foot.landmarks.confidence.copy()
    doubted[[foot.schema.index(code) for code in ("M1p_med", "M5d_lat")]] = 0.3
    foot = replace(foot, landmarks=replace(foot.landmarks, confidence=doubted))
    assert shell_wall(foot, 0.5) is None
    assert shell_end(foot, 0.5) is None
    assert called(foot, 0.93)


def test_soft_parts_that_the_network_half_takes_for_a_cast_pass(case):
    assert decide(with_chance(drawn(case), 0.93), LIMITS).outcome is Outcome.ACCEPTED


def test_the_network_alone_is_enough_where_it_is_sure(case):
    """A slab under the foot alone has no wall."""
    (reason,) = called(drawn(case), SHELL.sure_from)
    assert reason.text.startswith(f"cast in place ({SHELL.sure_from:.2f}): it veils")


@pytest.mark.parametrize("chance", [0.5, 0.93])
def test_a_likely_cast_counts_with_a_wall(case, chance):
    (reason,) = called(drawn(case, wall=0.5), chance)
    assert reason.numbers["probability"] == chance
    assert reason.numbers["end"] < SHELL.end_from
    assert reason.numbers["wall"] == pytest.approx(0.5, rel=0.12)


def test_a_plain_wall_counts_where_the_network_hardly_sees_a_cast(case):
    foot = drawn(case, wall=1.6)
    (reason,) = called(foot, 0.16)
    assert reason.text.startswith("cast in place (0.16): a shell is seen about the foot, ")
    assert called(foot, np.nextafter(SHELL.look_from, 0.0)) == []
    assert called(drawn(case, wall=0.6), 0.16) == []
