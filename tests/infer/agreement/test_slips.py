"""Slips of a table are caught and named: whose they are, in which measure, and what is wrong.

The errors are made on purpose on invented reads; that each is found, and that none is found without one, is the check.
"""

import numpy as np
import pytest

from raysplay.infer.agreement.config import agreement_settings
from raysplay.infer.agreement.feet import open_run, study_reads
from raysplay.infer.agreement.reads import read_reads
from raysplay.infer.agreement.slips import slips


@pytest.fixture
def found(tmp_path, write_run):
    """``found(island, with_run)`` gives the slips of the island's reads."""

    def sought(island, with_run=True):
        run = open_run(write_run(tmp_path / "run", island)) if with_run else None
        island.tidy(tmp_path / "reads.csv")
        study, _ = study_reads(read_reads([tmp_path / "reads.csv"]), run)
        return slips(study, agreement_settings().slips)

    return sought


def stopping(said):
    return {(one.reader, one.measure, one.kind) for one in said if one.stops}


@pytest.mark.parametrize("with_run", [True, False])
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("both_feet", [True, False])
def test_honest_reads_have_none(make_island, found, with_run, seed, both_feet):
    """Also with readers who err by twice a surgeon's published error (measure/GUIDE.md, "Human readers")."""
    assert stopping(found(make_island(seed=seed, error=3.6, both_feet=both_feet), with_run)) == set()


@pytest.mark.parametrize("with_run", [True, False])
@pytest.mark.parametrize("readers", [("AB",), ("AB", "CD"), ("AB", "CD", "EF")])
def test_left_feet_signed_the_other_way(make_island, found, with_run, readers):
    island = make_island(readers=readers)
    left = np.array([side == "L" for _, side in island.feet])
    island.read["hva"][left, 0] *= -1
    said = found(island, with_run)
    assert stopping(said) == {("AB", "hva", "sign")}
    assert "reader AB signs HVA of left feet the other way, on 20 of 20 feet" in said[0].said


@pytest.mark.parametrize("with_run", [True, False])
def test_hva_in_the_column_of_ima(make_island, found, with_run):
    island = make_island(readers=("AB", "CD", "EF"))
    island.read["ima"][:, 1] = island.read["hva"][:, 1]
    said = found(island, with_run)
    assert stopping(said) == {("CD", "ima", "measure")}
    assert "column IMA of reader CD holds what others call HVA" in said[0].said


def test_columns_exchanged_by_the_only_reader(make_island, found):
    island = make_island(readers=("AB",))
    island.read["ima"], island.read["hva"] = island.read["hva"], island.read["ima"]
    assert ("AB", "ima", "measure") in stopping(found(island, with_run=False))


def test_one_foot_with_two_measures_exchanged(make_island, found):
    island = make_island()
    foot = int(np.argmax(island.true["hva"]))
    hva, ima = (island.read[name][foot, 0].copy() for name in ("hva", "ima"))
    island.read["hva"][foot, 0], island.read["ima"][foot, 0] = ima, hva
    said = found(island)
    assert stopping(said) == {("AB", "hva", "measure")}
    assert island.feet[foot][0] in said[0].said


@pytest.mark.parametrize("with_run", [True, False])
def test_left_and_right_foot_exchanged(make_island, found, with_run):
    island = make_island(films=20, both_feet=True, readers=("AB", "CD", "EF"))
    far = [i for i in range(0, 40, 2) if abs(island.true["hva"][i] - island.true["hva"][i + 1]) > 10][:3]
    for i in far:
        for name in island.measures:
            island.read[name][[i, i + 1], 1] = island.read[name][[i + 1, i], 1]
    said = found(island, with_run)
    assert stopping(said) == {("CD", "", "feet exchanged")}
    for i in far:
        assert island.feet[i][0] in said[0].said


def test_feet_called_by_the_other_side(make_island, found, tmp_path, write_run, write_csv):
    """All films show one foot: AB calls left what the run and CD call right, and the other way round."""
    island = make_island()
    rows = [[row[0], "LR"[row[1] == "L"] if row[2] == "AB" else row[1], *row[2:]] for row in island.rows()]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "session", "measure", "value"], rows)
    for run in (open_run(write_run(tmp_path / "run", island)), None):
        study, _ = study_reads(read_reads([tmp_path / "reads.csv"]), run)
        said = slips(study, agreement_settings().slips)
        if run is not None:
            assert stopping(said) == {("AB", "", "side")}
            assert "on 40 of 40 films" in said[0].said
        else:  # of two readers, neither is known to be right
            assert {(measure, kind) for _, measure, kind in stopping(said)} == {("", "side")}
            assert "or it is the other reader's" in said[0].said


@pytest.mark.parametrize(("factor", "word"), [(np.pi / 180, "radians"), (0.1, "centimetres")])
def test_another_unit(make_island, found, factor, word):
    island = make_island()
    island.read["hva"][:, 1] = island.read["hva"][:, 1] * factor
    said = found(island)
    assert ("CD", "hva", "unit") in stopping(said)
    assert any(f"as if it were written in {word}" in one.said for one in said)


def test_a_single_wild_value_is_named_and_does_not_stop(make_island, found):
    island = make_island()
    island.read["hva"][7, 0] += 30
    said = found(island)
    assert stopping(said) == set()
    assert any(one.kind == "far apart" and island.feet[7][0] in one.said for one in said)
