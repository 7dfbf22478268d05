"""Metal, casts and splints: what they absorb, where they lie."""

import json
from pathlib import Path

import numpy as np
import pytest
import torch
from scipy.ndimage import distance_transform_edt

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.synthetic_data.film import cast as cast_module
from raysplay.synthetic_data.film import splint
from raysplay.synthetic_data.film.carried import CARRIED, carry, choose_carried
from raysplay.synthetic_data.film.cast import PLASTER, RESIN, Casts, cast_path, draw_casts
from raysplay.synthetic_data.film.distance import distance_to
from raysplay.synthetic_data.film.formation import form
from raysplay.synthetic_data.film.look import draw_looks
from raysplay.synthetic_data.film.metal import OPERATIONS, STEEL, TITANIUM, draw_metal
from raysplay.synthetic_data.film.parts import parts_path, table
from raysplay.synthetic_data.film.settings import ConditionSettings

TABLE = json.loads((Path(__file__).parent.parent / "data" / "attenuation.json").read_text())


def linear(material):
    """Linear attenuation in 1/cm at 40 and 50 keV from mass attenuation and density."""
    return np.array(TABLE["mass_attenuation"][material]) * TABLE["density"][material]


@pytest.mark.parametrize(
    ("value", "material", "over"),
    [
        (STEEL, "iron", "cortical_bone"),
        (TITANIUM, "titanium", "cortical_bone"),
        (PLASTER, "gypsum", "soft_tissue"),
        (RESIN, "glass_in_resin", "soft_tissue"),
        (splint.SILICONE, "silicone", "soft_tissue"),
        (splint.PLASTIC, "polypropylene", "soft_tissue"),
    ],
)
def test_materials_absorb_as_tables_say(value, material, over):
    assert value == pytest.approx(np.mean(linear(material) / linear(over)), rel=0.05)


def test_names_are_those_of_the_network():
    # What is cut off comes with the field, not with a condition of its own.
    assert set(CONDITIONS) - {"cut_off"} == set(ConditionSettings.model_fields) - {"strength"}
    assert set(CARRIED) < set(CONDITIONS)


def test_shares_of_operations_add_up():
    assert sum(share for share, _ in OPERATIONS) == pytest.approx(1.0)


@pytest.fixture
def foot():
    """A batch of two discs of soft tissue, 30 mm in radius and 40 mm thick, with landmarks inside."""
    size, pixel = (240, 200), 0.5
    y, x = np.mgrid[: size[0], : size[1]]
    soft = np.where(np.hypot(x - 100, y - 120) < 60, 40.0, 0.0).astype(np.float32)
    points = torch.from_numpy(np.random.default_rng(1).uniform(90, 110, (2, len(landmark_schema()), 2)).astype("f4"))
    schema = landmark_schema()
    for code, at in (("M2_base_c", (100, 150)), ("M2_tip", (100, 90)), ("M1_head_c", (80, 95)), ("M5_lat", (130, 110))):
        points[:, schema.index(code)] = torch.tensor(at, dtype=torch.float32)
    return torch.from_numpy(soft).expand(2, -1, -1), points, torch.full((2,), pixel)


def test_distances_are_exact():
    # Reference: scipy's exact Euclidean distance transform.
    mask = np.random.default_rng(2).random((3, 40, 31)) < 0.02
    expected = np.stack([distance_transform_edt(~m) for m in mask])
    assert distance_to(torch.from_numpy(mask)).numpy() == pytest.approx(expected, abs=1e-4)


def even_cast(count=2, **changes):
    values = {"thick": 5.0, "gap": 4.0, "absorbs": 1.0, "mesh": 2.0, "turn": 30.0, "ends": 9.0}
    names = Casts.__dataclass_fields__
    return Casts(**{n: np.full(count, float((values | changes).get(n, 0.0))) for n in names})


def test_a_shell_is_brightest_at_its_rim_and_twice_its_thickness_in_the_middle(foot):
    soft, points, pixel = foot
    path = cast_path(even_cast(), soft, points, pixel, torch.Generator().manual_seed(1))[0].numpy()
    out = (np.hypot(*(np.mgrid[:240, :200] - np.array([120, 100])[:, None, None])) - 60) * 0.5
    # Skin ends at 0; padding to 4 mm, shell to 9 mm, nothing beyond. The grid of the skin has cells of 1.5 mm.
    assert path[out > 11].max() == 0
    rim, middle = path[(out > 3.5) & (out < 6)].mean(), path[out < -24].mean()
    assert middle == pytest.approx(2 * 5.0, rel=0.2)
    assert rim > 2.5 * middle


def test_a_shell_stops_before_the_toes_and_leaves_its_window_open(foot):
    soft, points, pixel = foot
    source = torch.Generator().manual_seed(1)
    whole = cast_path(even_cast(), soft, points, pixel, source)[0]
    short = cast_path(even_cast(ends=0.5), soft, points, pixel, source)[0]
    # Half of the second metatarsal: row 120.
    assert float(short[:112].max()) == 0
    assert torch.equal(short[126:], whole[126:])
    open_ = cast_path(even_cast(window=8.0, window_at=0.5), soft, points, pixel, source)[0]
    assert float(open_[110:130, 92:108].max()) == 0
    assert torch.equal(open_[150:], whole[150:])


def test_a_weave_has_its_period(foot):
    soft, points, pixel = foot
    source = torch.Generator().manual_seed(1)
    flat = cast_path(even_cast(), soft, points, pixel, source)[0]
    knit = cast_path(even_cast(weave=0.4, mesh=6.0), soft, points, pixel, source)[0]
    # The product of two waves of 6 mm at right angles: along the foot's axis one of 3 mm, six pixels.
    wave = (knit / flat.clamp_min(1e-3) - 1)[100:160, 100].numpy()
    power = np.abs(np.fft.rfft(wave - wave.mean()))
    assert len(wave) / power.argmax() == pytest.approx(6.0, abs=0.3)


def test_drawn_casts_lie_within_reason():
    casts = draw_casts(np.random.default_rng(1), 500)
    assert ((casts.thick > 2) & (casts.thick < 10)).all()
    assert set(np.unique(casts.absorbs)) == {PLASTER, RESIN}
    assert draw_casts(np.random.default_rng(1), 500, 2.0).thick == pytest.approx(2 * casts.thick)
    assert cast_module.PLASTER > cast_module.RESIN


def test_only_chosen_feet_carry(foot):
    soft, points, pixel = foot
    generator = torch.Generator().manual_seed(1)
    for name in CARRIED:
        chosen = {n: np.array([1] if n == name else [], np.int64) for n in CARRIED}
        added = carry(chosen, soft, points, pixel, np.random.default_rng(4), generator)
        assert added is not None
        assert float(added.soft[0].abs().max()) == float(added.metal[0].abs().max()) == 0
        assert float((added.soft[1] + added.metal[1]).max()) > 1
        assert float(added.soft.min()) >= 0
        assert float(added.metal.min()) >= 0
    nothing = choose_carried(np.random.default_rng(1), 2, {})
    assert carry(nothing, soft, points, pixel, np.random.default_rng(1), generator) is None


def test_every_operation_leaves_metal_and_no_number_that_is_none(foot):
    _, points, pixel = foot
    for _, operation in OPERATIONS:
        for seed in range(6):
            parts = operation(np.random.default_rng(seed), STEEL)
            path = parts_path(table([parts], "cpu"), points[:1], pixel[:1], (240, 200))
            assert torch.isfinite(path).all()
            assert 0 < float(path.max()) < STEEL * 60


def test_more_strength_is_more_metal():
    number = [np.mean([len(draw_metal(np.random.default_rng(k), s)) for k in range(100)]) for s in (0.5, 2.0)]
    assert number[0] < number[1]


def test_metal_has_no_texture_of_bone():
    look = draw_looks(np.random.default_rng(1), 1)
    still = {k: torch.zeros(1) for k in ("noise", "scatter", "edge", "equalise", "slope_x", "slope_y", "blur")}
    look = type(look)(**(vars(look) | still | {"texture": torch.full((1,), 0.3), "high": torch.full((1,), 4.0)}))
    flat, nothing = torch.full((1, 64, 64), 12.0), torch.zeros(1, 64, 64)

    def spread(cortical, metal):
        picture = form(cortical, nothing, nothing, look, torch.tensor([0.3]), torch.Generator().manual_seed(1), metal)
        return float(picture[0, 16:-16, 16:-16].std())

    assert spread(nothing, flat) < 1e-4
    assert spread(flat, nothing) > 1e-3
