"""The bones of one person: the rest table with that person's sizes and shapes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from raysplay.synthetic_data.anatomy.rest import FINE, bone_index, bone_names, bones, fine_profile
from raysplay.synthetic_data.settings import PersonSettings

FloatArray = npt.NDArray[np.float32]

BUMPS = 8
"""Places for tubercles in the shape arrays. The last three are kept for the medial eminence and osteophytes."""

EMINENCE = BUMPS - 1

METATARSALS = tuple(f"metatarsal_{ray}" for ray in range(1, 6))


@dataclass(frozen=True)
class Person:
    """Shape arrays of one foot (fields as in ``BoneShapes``, without the batch axis) and how it is built.

    ``size`` scales all rest places; ``place`` (N, 3) shifts each bone from its rest place; ``joint_space`` (N,) is
    the gap in mm before the base of a bone that moves on another; ``present`` (N,) says which bones the person has;
    ``density`` (N,) is the relative mineral density of each.
    """

    female: bool
    size: float
    joint_space: FloatArray
    place: FloatArray
    shapes: dict[str, FloatArray]
    present: npt.NDArray[np.bool_]
    density: FloatArray


def spread_of(rng: np.random.Generator, settings: PersonSettings, share: float = 1.0) -> PersonSettings:
    """The spreads by which one person's bones vary: most people are ordinary, some are far from the mean.

    One factor scales them all, so that shapes of a group of people have heavier tails than a normal distribution.
    ``share`` of it is used for parts of the body that shall vary less.
    """
    low, high = np.log(settings.spread)
    factor = share * float(np.exp(rng.uniform(low, high)))
    scaled = {name: getattr(settings, name) * factor for name in _SPREADS}
    scaled |= {name: (getattr(settings, name)[0], getattr(settings, name)[1] * factor) for name in _SPREAD_PAIRS}
    return settings.model_copy(update=scaled)


_SPREADS = ("section", "flare", "flare_place", "relief", "cap_closing", "cap_tilt", "bump", "bow", "place")
_SPREAD_PAIRS = ("bone_length", "bone_girth", "sesamoid")


@lru_cache(maxsize=1)
def _rest_arrays() -> dict[str, FloatArray]:
    table = list(bones().values())

    def three(values: tuple[float, float, float]) -> FloatArray:
        return np.interp(np.linspace(0, 1, FINE), [0.0, 0.5, 1.0], values).astype(np.float32)

    caps, bumps = [], np.zeros((len(table), BUMPS, 5), np.float32)
    bumps[:, :, 2:4] = 1.0
    for n, bone in enumerate(table):
        caps.append(
            [[c.closing, c.length, c.dish, c.saddle, np.radians(c.tilt)] for c in (bone.proximal_cap, bone.distal_cap)]
        )
        for k, bump in enumerate(bone.bumps):
            bumps[n, k] = (
                bump.at,
                np.radians(bump.angle),
                bump.spread_at,
                np.radians(bump.spread_angle),
                bump.height,
            )
    return {
        "length": np.array([b.length for b in table], np.float32),
        "width": np.stack([fine_profile(b.width) for b in table]),
        "height": np.stack([fine_profile(b.height) for b in table]),
        "mid_width": np.stack([fine_profile(b.mid_width) for b in table]),
        "mid_height": np.stack([fine_profile(b.mid_height) for b in table]),
        "wedge": np.stack([three(b.wedge) for b in table]),
        "squareness": np.stack([three(b.squareness) for b in table]),
        "caps": np.array(caps, np.float32),
        "bumps": bumps,
        "cortex": np.array([[b.cortex.middle, b.cortex.end] for b in table], np.float32),
        "plate": np.tile(np.array([0.5, 0.0, 1.0, 0.0], np.float32), (len(table), 1)),
    }


@lru_cache(maxsize=1)
def _space_shares() -> FloatArray:
    """Joint space before the base of each bone as a share of that of the metatarsophalangeal joints."""
    share = np.ones(len(bone_names()), np.float32)
    for n, name in enumerate(bone_names()):
        if name == "distal_phalanx_1":
            share[n] = 0.7
        elif name.startswith(("middle_phalanx", "distal_phalanx")):
            share[n] = 0.53 if name.startswith("middle") else 0.41
    return share


def _smooth_noise(rng: np.random.Generator, rows: int, knots: int = 6) -> FloatArray:
    """Unit-variance curves over the length of a bone, shape (rows, FINE)."""
    values = rng.standard_normal((rows, knots))
    grid = np.linspace(0, knots - 1, FINE)
    left = np.minimum(grid.astype(int), knots - 2)
    share = grid - left
    share = share * share * (3 - 2 * share)
    curves: FloatArray = (values[:, left] * (1 - share) + values[:, left + 1] * share).astype(np.float32)
    return curves


def _as_on_films(rest: dict[str, FloatArray], settings: PersonSettings) -> dict[str, FloatArray]:
    """Metatarsals of the rest table, one person's, in the proportions in which films of many people show them."""
    along = np.linspace(0, 1, FINE)
    nearer = along + settings.metatarsal_flare * np.sin(2 * np.pi * along)
    like = {key: rest[key].copy() for key in ("width", "height", "mid_width")}
    for ray, (name, girth) in enumerate(zip(METATARSALS, settings.metatarsal_girth, strict=True), start=1):
        n = bone_index(name)
        for key in ("width", "height"):
            like[key][n] = girth * np.interp(nearer, along, like[key][n])
        if ray > 1:
            like["mid_width"][n] *= settings.lesser_bend
    return like


def _reshape(rng: np.random.Generator, shapes: dict[str, FloatArray], settings: PersonSettings) -> None:
    """Vary where along a bone its ends flare, and how much.

    The rest table knows one person. Others have longer or shorter bases and heads, and shafts that are slim or stout
    against their ends; a network that saw one profile only would read a level off the flare.
    """
    count = len(shapes["width"])
    along = np.linspace(0, 1, FINE)
    shift = rng.normal(0, settings.flare_place, (count, 1)) * np.sin(np.pi * along) + rng.normal(
        0, 0.6 * settings.flare_place, (count, 1)
    ) * np.sin(2 * np.pi * along)
    place = np.clip(along + np.clip(shift, -0.13, 0.13), 0, 1)
    base = np.exp(-((along / 0.22) ** 2))
    head = np.exp(-(((1 - along) / 0.2) ** 2))
    ends = {
        "width": settings.flare * np.clip(rng.standard_normal((2, count, 1)), -2, 2),
        "height": settings.flare * np.clip(rng.standard_normal((2, count, 1)), -2, 2),
    }
    for ray in (2, 3, 4):
        ends["width"][0, bone_index(f"metatarsal_{ray}")] += settings.lesser_base
    for n in range(count):
        for key in ("width", "height", "mid_width", "mid_height", "wedge"):
            shapes[key][n] = np.interp(place[n], along, shapes[key][n])
    for key, (at_base, at_head) in ends.items():
        shapes[key] = shapes[key] * np.exp(at_base * base + at_head * head)


def _limited(rng: np.random.Generator, mean: float, sd: float, size: int) -> npt.NDArray[np.float64]:
    """Normal values without the tails beyond two and a half standard deviations."""
    return mean + sd * np.clip(rng.standard_normal(size), -2.5, 2.5)


def _lengths(rng: np.random.Generator, settings: PersonSettings) -> FloatArray:
    """Factors of the lengths of all bones; metatarsals keep the order of a real foot, toes go with their ray."""
    names = bone_names()
    ray = np.array([int(name[-1]) - 1 if name[-1].isdigit() else 5 for name in names])
    factor = _limited(rng, *settings.bone_length, len(names)) + np.append(rng.normal(0, 0.02, 5), 0.0)[ray]
    for n, name in enumerate(METATARSALS):
        factor[bone_index(name)] = _limited(rng, *settings.metatarsal_length[n], 1)[0]
    return np.asarray(factor, np.float32)


def _head_of_first(rng: np.random.Generator, shapes: dict[str, FloatArray], settings: PersonSettings) -> None:
    """Head of the first metatarsal from round to square, and its medial eminence, apart from everything else."""
    first = bone_index("metatarsal_1")
    square = rng.uniform(*settings.first_head_squareness)
    shapes["caps"][first, 1, 0] = square
    shapes["caps"][first, 1, 1] *= np.interp(square, [2.0, 5.0], [1.1, 0.65])
    shapes["bumps"][first, EMINENCE] = (
        rng.normal(0.88, 0.02),
        np.radians(rng.normal(172, 10)),
        rng.uniform(0.035, 0.07),
        np.radians(rng.uniform(24, 42)),
        np.clip(rng.normal(*settings.medial_eminence), 0.0, 5.0),
    )


def _cortex(
    rng: np.random.Generator, rest: FloatArray, size: float, settings: PersonSettings
) -> tuple[FloatArray, FloatArray]:
    """Thickness of the shell (N, 2) and density (N,): thick to thin, and both low in osteopenia."""
    count = len(rest)
    shell = rest * size * np.exp(rng.normal(0, settings.cortex[1]) + rng.normal(0, 0.1, rest.shape))
    density = np.exp(rng.normal(0, 0.12, count) + rng.normal(0, 0.15))
    if rng.random() < settings.even_shell_share:
        # A shell of one thickness all over, as an offset of the outer surface gives it.
        shell[:] = rng.uniform(*settings.even_shell) * size
    if rng.random() < settings.osteopenia_share:
        loss = rng.uniform(*settings.osteopenia)
        shell *= loss
        density *= loss**0.6
    return np.maximum(shell * settings.cortex[0], 0.25), density.astype(np.float32)


def _extra_bones(rng: np.random.Generator, female: bool, settings: PersonSettings) -> npt.NDArray[np.bool_]:
    """Which bones the person has (N,): everyone those of the rest table up to the fibula, some a few more."""
    present = np.ones(len(bone_names()), bool)
    for name, share in settings.extra_bones.items():
        if not isinstance(share, float):
            share = share[0 if female else 1]
        present[bone_index(name)] = rng.random() < share
    for name in SESAMOIDS:
        present[bone_index(name)] = rng.random() >= settings.missing_sesamoid
    present[bone_index("medial_sesamoid_half")] &= present[bone_index("medial_sesamoid")]
    return present


MIDFOOT = ("navicular", "medial_cuneiform", "intermediate_cuneiform", "lateral_cuneiform", "cuboid")


def _open_tarsus(
    rng: np.random.Generator, shapes: dict[str, FloatArray], place: FloatArray, settings: PersonSettings
) -> None:
    """Make the bones of the midfoot of some people smaller where they stand, so that gaps show between them.

    Gaps between tarsal bones must not by themselves read as an oblique film.
    """
    if rng.random() >= settings.open_tarsus_share:
        return
    share = float(rng.uniform(*settings.open_tarsus))
    for name in MIDFOOT:
        shrink(shapes, place, name, share)


def shrink(shapes: dict[str, FloatArray], place: FloatArray, name: str, share: float) -> None:
    """Make a bone smaller by the factor ``share`` about its middle.

    Parameters
    ----------
    shapes : dict of str to ndarray
        Shape arrays of a person; changed in place.
    place : ndarray, shape (N, 3)
        Shifts from the rest place; changed in place.
    name : str
        Of the bone.
    share : float
    """
    n, bone = bone_index(name), bones()[name]
    axis = np.array(bone.axis) / np.linalg.norm(bone.axis)
    # A bone's place is that of its base, in the units of the rest table.
    place[n] += 0.5 * bone.length * (1 - share) * axis
    for key in ("length", "width", "height"):
        shapes[key][n] *= share


SESAMOIDS = ("medial_sesamoid", "lateral_sesamoid")


def _sesamoids(
    rng: np.random.Generator, shapes: dict[str, FloatArray], present: npt.NDArray[np.bool_], settings: PersonSettings
) -> None:
    """Size of the sesamoids; a medial one in two parts is longer than a whole one."""
    whole, half = bone_index("medial_sesamoid"), bone_index("medial_sesamoid_half")
    factors = {n: rng.normal(*settings.sesamoid) for n in (whole, bone_index("lateral_sesamoid"))}
    factors[half] = factors[whole]
    for n, factor in factors.items():
        for key in ("length", "width", "height"):
            shapes[key][n] *= np.clip(factor, 0.5, 1.6)
    if present[half]:
        share = rng.uniform(0.4, 0.7)
        total = 1.12 * shapes["length"][whole]
        shapes["length"][whole], shapes["length"][half] = share * total, (1 - share) * total - rng.uniform(0.5, 1.4)


def draw_person(rng: np.random.Generator, settings: PersonSettings) -> Person:
    """Draw the bones of one person.

    Parameters
    ----------
    rng : numpy.random.Generator
        Drawn from in one order: another order is another archive.
    settings : PersonSettings
        Distributions, with their sources (``configs/generator.yaml``).

    Returns
    -------
    Person
        Lengths in mm; every bone of the list, also those that are not there.
    """
    rest = _rest_arrays()
    count = len(bone_names())
    settings = spread_of(rng, settings)
    female = bool(rng.random() < settings.female_share)
    size = float(np.clip(rng.normal(*(settings.size_female if female else settings.size_male)), 0.58, 1.2))
    girth_person = np.clip(rng.normal(*settings.bone_girth), 0.75, 1.45)

    # Arrays of either precision, until the person is whole.
    shapes: dict[str, Any] = _sized(rng, rest, size, girth_person, settings)
    _reshape(rng, shapes, settings)
    _vary_ends(rng, shapes, size, settings)
    _head_of_first(rng, shapes, settings)

    shapes["cortex"], density = _cortex(rng, rest["cortex"], size, settings)
    present = _extra_bones(rng, female, settings)
    _sesamoids(rng, shapes, present, settings)
    modes = rng.standard_normal((count, 4, 6)) * settings.relief
    modes /= np.array([1.0, 1.2, 1.6, 2.2])[None, :, None]
    shapes["ripple"] = modes
    place = rng.normal(0, settings.place, (count, 3)).astype(np.float32)
    # Numbers of its own: people without it stay as they were.
    _open_tarsus(rng.spawn(1)[0], shapes, place, settings)
    space = np.clip(rng.normal(2.0, 0.55), 0.3, 3.6) * size * _space_shares() * np.exp(rng.normal(0, 0.15, count))
    return Person(
        female=female,
        size=size,
        joint_space=space.astype(np.float32),
        place=place,
        shapes={k: np.ascontiguousarray(v, np.float32) for k, v in shapes.items()},
        present=present,
        density=density,
    )


def _sized(
    rng: np.random.Generator, rest: dict[str, FloatArray], size: float, girth_person: float, settings: PersonSettings
) -> dict[str, Any]:
    """Shape arrays of the rest table in one person's lengths, girths, cross-sections and bows; mm."""
    count = len(bone_names())
    length = _lengths(rng, settings)
    girth = (girth_person * rng.normal(1, 0.05, count)).astype(np.float32)[:, None]
    rest = rest | _as_on_films(rest, settings)
    section = 1 + settings.section * _smooth_noise(rng, count)
    flat = 1 + settings.section * _smooth_noise(rng, count)
    shapes: dict[str, Any] = {
        "length": rest["length"] * length * np.float32(size),
        "width": rest["width"] * girth * section * np.float32(size),
        "height": rest["height"] * girth * flat * np.float32(size) * rng.normal(1, 0.05),
        "wedge": rest["wedge"] + rng.normal(0, 0.08, (count, 1)).astype(np.float32),
        "squareness": np.clip(rest["squareness"] * rng.normal(1, 0.08, (count, 1)), 1.7, 4.5),
        "caps": rest["caps"].copy(),
        "bumps": rest["bumps"].copy(),
        "plate": rest["plate"].copy(),
    }
    bow = np.sin(np.pi * np.linspace(0, 1, FINE))[None] * shapes["length"][:, None]
    for key in ("mid_width", "mid_height"):
        wander = 0.15 * settings.section * _smooth_noise(rng, count) * shapes["width"]
        shapes[key] = rest[key] * np.float32(size) + rng.normal(0, settings.bow, (count, 1)) * bow + wander
    return shapes


def _vary_ends(rng: np.random.Generator, shapes: dict[str, FloatArray], size: float, settings: PersonSettings) -> None:
    """Vary the closing, length, hollow and tilt of the ends of all bones, and height and place of their tubercles."""
    caps = shapes["caps"]
    caps[..., 0] = np.clip(1 + (caps[..., 0] - 1) * np.exp(rng.normal(0, settings.cap_closing, caps.shape[:2])), 1.6, 9)
    caps[..., 1] = np.clip(caps[..., 1] * np.exp(rng.normal(0, 0.15, caps.shape[:2])), 0.008, 0.3)
    caps[..., 2:4] *= (size * np.exp(rng.normal(0, 0.35, caps.shape[:2])))[..., None]
    caps[..., 4] += np.radians(settings.cap_tilt * np.clip(rng.standard_normal(caps.shape[:2]), -2, 2))
    # A surface tilts over the last fifth of the bone; a steeper one would fold that part of a short, wide bone.
    steepest = np.arctan(0.36 * shapes["length"] / shapes["width"][:, [2, -3]].max(1))[:, None]
    caps[..., 4] = np.clip(caps[..., 4], -steepest, steepest)
    bumps = shapes["bumps"]
    bumps[..., 4] *= size * np.clip(np.exp(rng.normal(0, settings.bump, bumps.shape[:2])), 0.0, 3.0)
    bumps[..., 0] += rng.normal(0, 0.01, bumps.shape[:2])
    bumps[..., 1] += np.radians(rng.normal(0, 8, bumps.shape[:2]))
