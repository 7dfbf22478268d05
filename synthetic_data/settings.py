"""Checked form of ``configs/generator.yaml``."""

from __future__ import annotations

from functools import lru_cache

from pydantic import Field

from raysplay.configs.load import Config, load, shipped

Pair = tuple[float, float]


class MixturePart(Config):
    """One group of feet: its share, mean and sd of HVA and IMA, and their correlation."""

    share: float
    hva: Pair
    ima: Pair
    correlation: float


class PostureSettings(Config):
    """Distributions of the angles between bones."""

    mixture: tuple[MixturePart, ...]
    child_shares: tuple[float, ...]
    hva_range: Pair
    ima_range: Pair
    hia: Pair
    ima45: Pair
    bunionette_share: float
    ima45_bunionette: Pair
    spread_2_3: Pair
    spread_3_4: Pair
    pronation_normal: Pair
    pronation_valgus: Pair
    flat_pronation: float
    joint_tilt_normal: Pair
    joint_tilt_valgus: Pair
    pronation_tilt: float
    joint_tilt_hva: float
    phalanx_tilt_normal: Pair
    phalanx_tilt_valgus: Pair
    toe_head_tilt: Pair
    oblique_share: float
    oblique_share_valgus: float
    facing: Pair
    facing_by_ima: float
    facing_sd: float
    base_tilt: Pair
    drift: Pair
    adduction: Pair
    adducted_share: float
    adducted_share_valgus: float
    adduction_adductus: Pair
    row: Pair
    base_gap: Pair
    first_base_gap: float
    talus_aside: Pair
    talus_back: Pair
    heel_aside: Pair
    arch: Pair
    head_height: Pair
    hallux_lift: Pair
    toe_lift: Pair
    toe_curl: Pair
    tip_curl: Pair
    claw_share: float
    toe_lean: Pair
    crossing_share: float
    fifth_toe_lean: Pair
    foot_pitch: Pair
    foot_roll: Pair


class PersonSettings(Config):
    """Distributions of the size and shape of bones."""

    spread: Pair
    female_share: float
    size_female: Pair
    size_male: Pair
    bone_length: Pair
    metatarsal_length: tuple[Pair, Pair, Pair, Pair, Pair]
    bone_girth: Pair
    section: float
    flare: float
    lesser_base: float
    metatarsal_girth: tuple[float, float, float, float, float]
    metatarsal_flare: float
    lesser_bend: float
    flare_place: float
    relief: float
    cortex: Pair
    even_shell_share: float
    even_shell: Pair
    cap_closing: float
    cap_tilt: float
    bump: float
    bow: float
    place: float
    sesamoid: Pair
    missing_sesamoid: float
    medial_eminence: Pair
    first_head_squareness: Pair
    osteopenia_share: float
    osteopenia: Pair
    worn_joint: float
    osteophytes: float
    open_tarsus_share: float
    open_tarsus: Pair
    extra_bones: dict[str, float | Pair]


class ExposureSettings(Config):
    """Distributions of the beam."""

    distance: Pair
    short_distance_share: float
    short_distance: Pair
    tilt: Pair
    side_tilt: Pair
    centring: float
    gap: Pair


class ConditionShares(Config):
    """Part of the feet, of those not asked for a condition, that have it."""

    growth_plates: float = Field(ge=0, le=1)
    missing_toe: float = Field(ge=0, le=1)
    overlap: float = Field(ge=0, le=1)


class GeneratorSettings(Config):
    """All of ``generator.yaml``."""

    conditions: ConditionShares

    posture: PostureSettings
    person: PersonSettings
    exposure: ExposureSettings


@lru_cache(maxsize=1)
def generator_settings() -> GeneratorSettings:
    """The shipped settings."""
    return load(GeneratorSettings, shipped("generator.yaml"))
