"""The angles a foot stands with: deformity of the first ray, forefoot, toes, arch, and how the foot is turned."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from raysplay.synthetic_data.settings import MixturePart, PostureSettings


@dataclass(frozen=True)
class Posture:
    """Angles in degrees, heights in mm, of one right foot; a left foot is its mirror image.

    ``hva``, ``ima``, ``hia`` and ``ima45`` pose the bones in space. The angles on the film follow from the
    projection and from the shapes of the bones and differ from these by a few degrees. ``joint_tilt`` is how far the
    distal joint surface of the first metatarsal faces laterally, ``base_tilt`` its proximal one (seen distally),
    ``phalanx_tilt`` how far the shaft of the first phalanx leans laterally of its base, ``toe_head_tilt`` how far the
    head of that phalanx faces laterally; ``cuneiform_facing`` is how far the distal surface of the medial cuneiform
    faces medially of the second metatarsal; ``eminence`` and ``fifth_eminence`` are bone in mm
    that deformity adds to the inner side of the first head and to the outer side of the fifth. ``talus_aside`` and
    ``talus_back`` shift talus, navicular and heel, ``heel_aside`` the heel and half as far the talus, in mm of a foot
    of size 1. ``part`` is the number of the part of the mixture that the foot was drawn from.
    """

    hva: float
    ima: float
    hia: float
    ima45: float
    spread_2_3: float
    spread_3_4: float
    pronation: float
    sesamoid_drift: float
    subluxation: float
    joint_tilt: float
    base_tilt: float
    phalanx_tilt: float
    toe_head_tilt: float
    cuneiform_facing: float
    eminence: float
    fifth_eminence: float
    adduction: float
    row: float
    base_gap: tuple[float, float, float, float]
    talus_aside: float
    talus_back: float
    heel_aside: float
    arch: float
    head_height: float
    hallux_lift: float
    hallux_roll: float
    toe_lift: tuple[float, float, float, float]
    toe_curl: tuple[float, float, float, float]
    tip_curl: tuple[float, float, float, float]
    toe_lean: tuple[float, float, float, float]
    foot_pitch: float
    foot_roll: float
    ankle_flexion: float
    leg_turn: float
    leg: bool
    part: int


def cross_toes(rng: np.random.Generator, posture: Posture) -> Posture:
    """The same foot with a great toe that lies under or over the second."""
    sideways = max(posture.hva, rng.uniform(30, 60))
    over = rng.random() < 0.35
    lift = (rng.uniform(14, 26), *posture.toe_lift[1:]) if over else (rng.uniform(22, 45), *posture.toe_lift[1:])
    return replace(
        posture,
        hva=float(sideways),
        hia=float(posture.hia + rng.uniform(0, 12)),
        ima=float(rng.uniform(4, 13)),
        hallux_lift=float(rng.uniform(22, 38) if over else rng.uniform(-4, 8)),
        toe_lift=lift,
        toe_lean=(float(rng.normal(-12, 8)), *posture.toe_lean[1:]),
    )


Four = tuple[float, float, float, float]


def _four(values: np.ndarray) -> Four:
    return tuple(float(v) for v in values)  # type: ignore[return-value]


def draw_posture(
    rng: np.random.Generator, settings: PostureSettings, view: str, shares: tuple[float, ...] | None = None
) -> Posture:
    """Draw the posture of one foot laid for ``view`` (one of ``FOOT_VIEWS``).

    Parameters
    ----------
    rng : numpy.random.Generator
        Drawn from in one order, whatever the posture: another order is another archive.
    settings : PostureSettings
        Distributions, with their sources (``configs/generator.yaml``).
    view : {'dp', 'oblique', 'lateral'}
    shares : tuple of float, optional
        Of the parts of the mixture, in the place of the settings' own; they add up to 1.

    Returns
    -------
    Posture
        Angles in degrees, lengths in mm.
    """
    shares = shares or tuple(part.share for part in settings.mixture)
    number = int(rng.choice(len(settings.mixture), p=shares))
    hva, ima, deviation = _draw_deformity(rng, settings, settings.mixture[number])
    valgus = float(np.clip((hva - 12) / 30, 0, 1.3))
    ray = _draw_first_ray(rng, settings, hva, ima, deviation, valgus)
    toes = _draw_lesser_toes(rng, settings, hva)
    adducted = rng.random() < (settings.adducted_share_valgus if hva > 15 else settings.adducted_share)
    adduction = rng.normal(*(settings.adduction_adductus if adducted else settings.adduction))
    base_gap = rng.normal(*settings.base_gap, 4)
    stance = _draw_stance(rng, settings, view)
    # The rest is drawn in this order.
    return Posture(
        hva=float(hva),
        ima=float(ima),
        hia=float(rng.normal(*settings.hia)),
        ima45=toes.ima45,
        spread_2_3=float(rng.normal(*settings.spread_2_3)),
        spread_3_4=float(rng.normal(*settings.spread_3_4)),
        pronation=ray.pronation,
        sesamoid_drift=ray.sesamoid_drift,
        subluxation=float(rng.normal(2.5 * valgus, 1.0 + 1.5 * valgus)),
        joint_tilt=ray.joint_tilt,
        base_tilt=ray.base_tilt,
        phalanx_tilt=ray.phalanx_tilt,
        toe_head_tilt=float(rng.normal(*settings.toe_head_tilt)),
        cuneiform_facing=ray.cuneiform_facing,
        eminence=float(max(0.0, rng.normal(1.0 * valgus, 0.6 * valgus))),
        fifth_eminence=toes.fifth_eminence,
        adduction=float(adduction),
        row=float(rng.uniform(*settings.row)),
        base_gap=_four(np.maximum(base_gap + np.array([settings.first_base_gap, 0, 0, 0]), 5.0)),
        talus_aside=float(rng.normal(*settings.talus_aside)),
        talus_back=float(rng.normal(*settings.talus_back)),
        heel_aside=float(rng.normal(*settings.heel_aside)),
        arch=ray.arch,
        head_height=float(max(6.0, rng.normal(*settings.head_height))),
        hallux_lift=float(rng.normal(*settings.hallux_lift)),
        hallux_roll=float(rng.normal(4 + 14 * valgus, 5 + 4 * valgus)),
        toe_lift=toes.lift,
        toe_curl=toes.curl,
        tip_curl=toes.tip_curl,
        toe_lean=toes.lean,
        foot_pitch=stance.pitch,
        foot_roll=stance.roll,
        ankle_flexion=stance.ankle_flexion,
        leg_turn=float(rng.normal(0, 12)),
        leg=stance.leg,
        part=number,
    )


def _draw_deformity(
    rng: np.random.Generator, settings: PostureSettings, part: MixturePart
) -> tuple[float, float, float]:
    """HVA and IMA of a part of the mixture, correlated and within range, and the deviate that HVA came from."""
    while True:
        a, b = rng.standard_normal(2)
        hva = part.hva[0] + part.hva[1] * a
        ima = part.ima[0] + part.ima[1] * (part.correlation * a + np.sqrt(1 - part.correlation**2) * b)
        if settings.hva_range[0] < hva < settings.hva_range[1] and settings.ima_range[0] < ima < settings.ima_range[1]:
            return hva, ima, a


@dataclass(frozen=True)
class _FirstRay:
    """What goes with HVA and IMA: fields of :class:`Posture`."""

    arch: float
    pronation: float
    joint_tilt: float
    phalanx_tilt: float
    cuneiform_facing: float
    base_tilt: float
    sesamoid_drift: float


def _draw_first_ray(
    rng: np.random.Generator, settings: PostureSettings, hva: float, ima: float, deviation: float, valgus: float
) -> _FirstRay:
    """Arch, pronation, joints and sesamoids; ``deviation`` is that of HVA, ``valgus`` 0 to 1.3."""
    arch = float(np.clip(rng.normal(*settings.arch), 0.5, 1.35))
    turned = rng.standard_normal()
    mean, sd = settings.pronation_valgus if hva > 18 else settings.pronation_normal
    # A flat arch goes with a first metatarsal that is turned inwards, a high one with one turned outwards.
    flat = (settings.arch[0] - arch) / settings.arch[1]
    pronation = mean + sd * (np.sqrt(1 - settings.flat_pronation**2) * turned + settings.flat_pronation * flat)
    link = settings.pronation_tilt
    mean, sd = settings.joint_tilt_valgus if hva > 18 else settings.joint_tilt_normal
    # Most normal joints are congruent: their surface leans with the toe.
    with_toe = settings.joint_tilt_hva if hva <= 18 else 0.0
    rest = np.sqrt(max(0.0, 1 - link**2 - with_toe**2))
    joint_tilt = mean + sd * (link * turned + with_toe * deviation + rest * rng.standard_normal())
    mean, sd = settings.phalanx_tilt_valgus if hva > 18 else settings.phalanx_tilt_normal
    phalanx_tilt = rng.normal(mean, sd)
    # An oblique first tarsometatarsal joint faces with the metatarsal, a transverse one across the foot.
    oblique = rng.random() < (settings.oblique_share_valgus if hva > 18 else settings.oblique_share)
    facing = rng.normal(settings.facing_by_ima * ima + settings.facing[0 if oblique else 1], settings.facing_sd)
    base_tilt = float(
        np.clip(
            rng.normal(settings.base_tilt[0] + 0.5 * (ima - facing - settings.base_tilt[0]), settings.base_tilt[1]),
            -4,
            11,
        )
    )
    # The sesamoids stay with the second metatarsal while the head moves away from under them.
    drift = rng.normal(settings.drift[0] + settings.drift[1] * (1 - np.exp(-1.6 * valgus)), 1.1 + 1.0 * valgus)
    return _FirstRay(
        arch=arch,
        pronation=float(pronation),
        joint_tilt=float(joint_tilt),
        phalanx_tilt=float(phalanx_tilt),
        cuneiform_facing=float(facing),
        base_tilt=base_tilt,
        sesamoid_drift=float(drift),
    )


@dataclass(frozen=True)
class _LesserToes:
    """Toes two to five and the fifth ray: fields of :class:`Posture`."""

    lift: Four
    curl: Four
    tip_curl: Four
    lean: Four
    ima45: float
    fifth_eminence: float


def _draw_lesser_toes(rng: np.random.Generator, settings: PostureSettings, hva: float) -> _LesserToes:
    """Claw toes, a second toe that rides on the great one and a bunionette occur with their shares."""
    lift = rng.normal(*settings.toe_lift) + rng.normal(0, 6, 4)
    curl = rng.normal(*settings.toe_curl) + rng.normal(0, 9, 4)
    tip = rng.normal(*settings.tip_curl) + rng.normal(0, 9, 4)
    if rng.random() < settings.claw_share:
        clawed = rng.random(4) < rng.uniform(0.3, 1.0)
        lift, curl = lift + clawed * rng.uniform(8, 26, 4), curl + clawed * rng.uniform(15, 50, 4)
    lean = rng.normal(*settings.toe_lean) + rng.normal(0, 3.5, 4)
    lean[0] += rng.uniform(0, 0.25) * max(0.0, hva - 15)
    lean[3] = rng.normal(*settings.fifth_toe_lean)
    if hva > 25 and rng.random() < settings.crossing_share:
        # The second toe rides on the great one.
        lift[0] += rng.uniform(8, 25)
        lean[0] -= rng.uniform(8, 24)
    ima45, fifth_eminence = rng.normal(*settings.ima45), 0.0
    if rng.random() < settings.bunionette_share:
        ima45, fifth_eminence = rng.normal(*settings.ima45_bunionette), rng.uniform(0.3, 3.0)
        lean[3] -= rng.uniform(0, 10)
    return _LesserToes(
        lift=_four(np.clip(lift, -12, 55)),
        curl=_four(np.clip(curl, -5, 85)),
        tip_curl=_four(np.clip(tip, -25, 65)),
        lean=_four(lean),
        ima45=float(ima45),
        fifth_eminence=float(fifth_eminence),
    )


@dataclass(frozen=True)
class _Stance:
    """How the foot lies on the plate and the leg stands over it: pitch, roll and flexion in degrees."""

    pitch: float
    roll: float
    ankle_flexion: float
    leg: bool


def _draw_stance(rng: np.random.Generator, settings: PostureSettings, view: str) -> _Stance:
    pitch, roll = rng.normal(*settings.foot_pitch), rng.normal(*settings.foot_roll)
    leg = bool(rng.random() < 0.7)
    # Standing: the leg rises over the talus; lying or sitting: it runs back, away from the foot.
    flexion = rng.uniform(8, 30) if rng.random() < 0.35 else rng.uniform(28, 78)
    if view == "oblique":
        roll = (-1 if rng.random() < 0.8 else 1) * rng.uniform(22, 55)
    elif view == "lateral":
        roll = (1 if rng.random() < 0.5 else -1) * rng.uniform(72, 108)
        flexion = rng.uniform(-15, 45)
        leg = leg or bool(rng.random() < 0.8)
    return _Stance(float(pitch), float(roll), float(flexion), leg)
