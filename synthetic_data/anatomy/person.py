"""The bones of one person: the rest table with that person's sizes and shapes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from raysplay.synthetic_data.anatomy.rest import FINE, bone_index, bone_names, bones, fine_profile
from raysplay.synthetic_data.settings import PersonSettings

FloatArray = npt.NDArray[np.float32]

BUMPS = 6
"""Places for tubercles in the shape arrays."""


@dataclass(frozen=True)
class Person:
    """Shape arrays of one foot (fields as in ``BoneShapes``, without the batch axis) and how it is built.

    ``place`` (N, 3) shifts each bone from its rest place; ``size`` scales all rest places.
    """

    size: float
    joint_space: float
    place: FloatArray
    shapes: dict[str, FloatArray]


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
    }


def _smooth_noise(rng: np.random.Generator, rows: int, knots: int = 6) -> FloatArray:
    """Unit-variance curves over the length of a bone, shape (rows, FINE)."""
    values = rng.standard_normal((rows, knots))
    grid = np.linspace(0, knots - 1, FINE)
    left = np.minimum(grid.astype(int), knots - 2)
    share = grid - left
    share = share * share * (3 - 2 * share)
    curves: FloatArray = (values[:, left] * (1 - share) + values[:, left + 1] * share).astype(np.float32)
    return curves


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
    place = np.clip(along + shift, 0, 1)
    base = np.exp(-((along / 0.22) ** 2))
    head = np.exp(-(((1 - along) / 0.2) ** 2))
    ends = {
        "width": rng.normal(0, settings.flare, (2, count, 1)),
        "height": rng.normal(0, settings.flare, (2, count, 1)),
    }
    for ray in (2, 3, 4):
        ends["width"][0, bone_index(f"metatarsal_{ray}")] += settings.lesser_base
    for n in range(count):
        for key in ("width", "height", "mid_width", "mid_height", "wedge"):
            shapes[key][n] = np.interp(place[n], along, shapes[key][n])
    for key, (at_base, at_head) in ends.items():
        shapes[key] = shapes[key] * np.exp(at_base * base + at_head * head)


def draw_person(rng: np.random.Generator, settings: PersonSettings) -> Person:
    """Draw the bones of one person."""
    rest = _rest_arrays()
    count = len(bone_names())
    female = bool(rng.random() < settings.female_share)
    size = float(np.clip(rng.normal(*(settings.size_female if female else settings.size_male)), 0.72, 1.3))
    girth_person = rng.normal(*settings.bone_girth)
    ray = {name: int(name[-1]) - 1 for name in bone_names() if name[-1].isdigit()}
    ray_length = rng.normal(0, 0.02, 5)

    length = rng.normal(*settings.bone_length, count).astype(np.float32)
    length += np.array([ray_length[ray[n]] if n in ray else 0.0 for n in bone_names()], np.float32)
    girth = (girth_person * rng.normal(1, 0.05, count)).astype(np.float32)[:, None]
    section = 1 + settings.section * _smooth_noise(rng, count)
    flat = 1 + settings.section * _smooth_noise(rng, count)
    shapes = {
        "length": rest["length"] * length * np.float32(size),
        "width": rest["width"] * girth * section * np.float32(size),
        "height": rest["height"] * girth * flat * np.float32(size) * rng.normal(1, 0.05),
        "wedge": rest["wedge"] + rng.normal(0, 0.08, (count, 1)).astype(np.float32),
        "squareness": np.clip(rest["squareness"] * rng.normal(1, 0.08, (count, 1)), 1.7, 4.5),
        "caps": rest["caps"].copy(),
        "bumps": rest["bumps"].copy(),
        "cortex": rest["cortex"].copy(),
    }
    bow = np.sin(np.pi * np.linspace(0, 1, FINE))[None] * shapes["length"][:, None]
    for key in ("mid_width", "mid_height"):
        wander = 0.15 * settings.section * _smooth_noise(rng, count) * shapes["width"]
        shapes[key] = rest[key] * np.float32(size) + rng.normal(0, settings.bow, (count, 1)) * bow + wander

    _reshape(rng, shapes, settings)

    caps = shapes["caps"]
    caps[..., 0] = np.clip(1 + (caps[..., 0] - 1) * np.exp(rng.normal(0, settings.cap_closing, caps.shape[:2])), 1.6, 9)
    caps[..., 1] = np.clip(caps[..., 1] * np.exp(rng.normal(0, 0.15, caps.shape[:2])), 0.008, 0.3)
    caps[..., 2:4] *= (size * np.exp(rng.normal(0, 0.35, caps.shape[:2])))[..., None]
    caps[..., 4] += np.radians(rng.normal(0, settings.cap_tilt, caps.shape[:2]))
    bumps = shapes["bumps"]
    bumps[..., 4] *= size * np.exp(rng.normal(0, settings.bump, bumps.shape[:2]))
    bumps[..., 0] += rng.normal(0, 0.01, bumps.shape[:2])
    bumps[..., 1] += np.radians(rng.normal(0, 8, bumps.shape[:2]))

    first = bone_index("metatarsal_1")
    # The medial eminence grows apart from everything else; the last free bump is its own.
    eminence = max(0.0, rng.normal(*settings.medial_eminence))
    bumps[first, BUMPS - 1] = (
        rng.normal(0.88, 0.02),
        np.radians(rng.normal(172, 10)),
        0.05,
        np.radians(32),
        eminence,
    )

    shell = shapes["cortex"] * size
    shell *= np.exp(rng.normal(0, settings.cortex[1], 1)) * np.exp(rng.normal(0, 0.1, shell.shape))
    if rng.random() < settings.even_shell_share:
        # A shell of one thickness all over, as an offset of the outer surface gives it.
        shell[:] = rng.uniform(*settings.even_shell) * size
    shapes["cortex"] = np.maximum(shell * settings.cortex[0], 0.25)
    for name in ("medial_sesamoid", "lateral_sesamoid"):
        n = bone_index(name)
        factor = rng.normal(*settings.sesamoid)
        if rng.random() < settings.missing_sesamoid:
            factor = 0.05
        for key in ("length", "width", "height"):
            shapes[key][n] *= factor
    modes = rng.standard_normal((count, 4, 6)) * settings.relief
    modes /= np.array([1.0, 1.2, 1.6, 2.2])[None, :, None]
    shapes["ripple"] = modes
    place = rng.normal(0, settings.place, (count, 3)).astype(np.float32)
    joint_space = float(np.clip(rng.normal(1.7, 0.5), 0.3, 3.2)) * size
    return Person(size, joint_space, place, {k: np.ascontiguousarray(v, np.float32) for k, v in shapes.items()})
