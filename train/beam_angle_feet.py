"""Generated feet for the beam's angle: the landmarks of each with and without load, under beams of any tilt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raysplay.synthetic_data.anatomy.pose import PosedFoot, pose
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.soft_tissue import soft_tissue
from raysplay.synthetic_data.projection.beam import draw_beam, ray_angle
from raysplay.synthetic_data.projection.shadow import Subject, project_landmarks
from raysplay.synthetic_data.settings import GeneratorSettings
from raysplay.synthetic_data.subject import draw_subject
from raysplay.synthetic_data.unloaded import UnloadingSettings, unloaded
from raysplay.train.beam_angle_settings import BeamAngleTraining
from raysplay.train.finetune.study import known_generators
from raysplay.train.suite.strangers import smooth_field

FloatArray = npt.NDArray[np.float64]

_BATCH = 64


@dataclass(frozen=True)
class ShownFeet:
    """N shadows of feet.

    Attributes
    ----------
    points : ndarray, shape (N, L, 2)
        mm on the detector, x lateral, y distal; ``nan`` where a bone is not there.
    angle : ndarray, shape (N,)
        Of the ray that met the foot, degrees.
    loaded : ndarray of bool, shape (N,)
        In turn: each foot stands first and then does not.
    """

    points: FloatArray
    angle: FloatArray
    loaded: npt.NDArray[np.bool_]


def shown_feet(training: BeamAngleTraining, seed: int, unloading: UnloadingSettings | None = None) -> ShownFeet:
    """``training.feet`` generated feet, each with and without load, by other beams.

    Parameters
    ----------
    training : BeamAngleTraining
    seed : int
        In the place of the training's own.
    unloading : UnloadingSettings, optional
        The shipped ones by default.
    """
    known = known_generators() | {"shipped": known_generators()["none"]}
    generators = [_under(known[name], training.tilt) for name in training.generators]
    points, angle, loaded = [], [], []
    batch: list[Subject] = []

    def project() -> None:
        found, exist = project_landmarks(batch)
        points.append(np.where(exist.numpy()[..., None], found.double().numpy(), np.nan))
        batch.clear()

    for k in range(training.feet):
        for subject, stands in _pair([seed, k], generators[k % len(generators)], training, unloading):
            angle.append(ray_angle(subject.beam, subject.foot))
            loaded.append(stands)
            batch.append(subject)
        if len(batch) >= _BATCH:
            project()
    if batch:
        project()
    return ShownFeet(np.concatenate(points), np.array(angle), np.array(loaded))


def _under(generator: GeneratorSettings, tilt: tuple[float, float]) -> GeneratorSettings:
    return generator.model_copy(update={"exposure": generator.exposure.model_copy(update={"tilt": tilt})})


def _pair(
    key: list[int], generator: GeneratorSettings, training: BeamAngleTraining, unloading: UnloadingSettings | None
) -> Iterator[tuple[Subject, bool]]:
    """One foot standing and not, under two beams, its bones out of their places by one field."""
    standing, posture = draw_subject(key, settings=generator)
    rng = np.random.default_rng([*key, 1])
    field = int(rng.integers(2**31))
    yield _displaced(standing, training, field), True
    yield _displaced(laid_down(rng, standing, posture, generator, unloading)[0], training, field), False


def laid_down(
    rng: np.random.Generator,
    standing: Subject,
    posture: Posture,
    generator: GeneratorSettings,
    unloading: UnloadingSettings | None = None,
) -> tuple[Subject, Posture]:
    """The same foot without load, laid on the plate anew, under another beam.

    Parameters
    ----------
    rng : numpy.random.Generator
    standing : Subject
    posture : Posture
        That it stands with.
    generator : GeneratorSettings
        How feet are laid and beams drawn.
    unloading : UnloadingSettings, optional
        The shipped ones by default.
    """
    anew = generator.posture
    lying = replace(
        unloaded(rng, posture, unloading),
        foot_pitch=float(rng.normal(*anew.foot_pitch)),
        foot_roll=float(rng.normal(*anew.foot_roll)),
    )
    foot = replace(pose(standing.person, lying), present=standing.foot.present, whole=standing.foot.whole)
    skin = soft_tissue(rng, standing.person, foot)
    return replace(standing, foot=foot, skin=skin, beam=draw_beam(rng, generator.exposure)), lying


def _displaced(subject: Subject, training: BeamAngleTraining, field: int) -> Subject:
    """The foot with every bone moved and turned as a smooth random field moves its two ends; the sole stays."""
    foot = subject.foot
    along = subject.person.shapes["length"].astype(float)[:, None]
    frame = foot.turn.T @ foot.frame
    base = (foot.origin - foot.pivot) @ foot.turn
    ends = np.stack([base, base + frame[:, :, 1] * along])
    rng = np.random.default_rng(field)
    moved = ends + smooth_field(rng, ends, training.field_length, training.field_sd)
    turned = _turns(frame[:, :, 1], moved[1] - moved[0]) @ frame
    return replace(subject, foot=_laid_back(foot, moved[0], turned))


def _laid_back(foot: PosedFoot, base: FloatArray, frame: FloatArray) -> PosedFoot:
    return replace(foot, origin=foot.pivot + base @ foot.turn.T, frame=foot.turn @ frame)


def _turns(before: FloatArray, after: FloatArray) -> FloatArray:
    """The least rotation that carries each unit vector (N, 3) to the direction of another, (N, 3, 3): Rodrigues."""
    after = after / np.linalg.norm(after, axis=1, keepdims=True)
    x, y, z = np.cross(before, after).T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)
    share = 1.0 / (1.0 + (before * after).sum(1))
    rotations: FloatArray = np.eye(3) + cross + cross @ cross * share[:, None, None]
    return rotations
