"""Only what was measured on bones that no generator drew is printed as proven (configs/proof.yaml)."""

import hashlib

import pytest

from raysplay.configs.load import ConfigError, shipped
from raysplay.configs.proof import proofs, read_proofs
from raysplay.configs.protocol import protocol
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.measure import MEASURES, by_name

PLACES_NO_POINT = ("side_letters.safetensors", "characters.safetensors", "beam_angle.safetensors")
"""The first can only send a foot to a person, the second only say how it was loaded, the third only remark; no measure
is read by any."""
SHIPPED = {
    path.name: hashlib.sha256(path.read_bytes()).hexdigest()
    for path in WEIGHTS_DIR.glob("*.safetensors")
    if path.name not in PLACES_NO_POINT
}


def test_the_proofs_are_of_the_weights_that_ship():
    """New weights must be tried on foreign bones again before anything they read is called proven."""
    assert {name: known for files in proofs().weights.values() for name, known in files.items()} == SHIPPED


def test_a_run_reports_by_default_only_what_is_proven():
    assert set(protocol().reported) <= proofs().proven(MEASURES, SHIPPED)


@pytest.mark.parametrize("reader", list(reading_settings().readers))
def test_every_reader_has_its_own_proof(reader):
    """Numbers of one reader say nothing of another's: without its own trials nothing it reads is proven."""
    own = proofs().weights[reader]
    assert set(protocol().reported) <= proofs().proven(MEASURES, own)
    only = proofs().model_copy(update={"trials": tuple(one for one in proofs().trials if one.reader != reader)})
    assert only.proven(MEASURES, own) == frozenset()


def test_trials_of_a_reader_without_weights_are_refused(tmp_path):
    text = shipped("proof.yaml").read_text(encoding="utf-8").replace("reader: quick", "reader: hasty", 1)
    (tmp_path / "proof.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="no weights of the reader hasty"):
        read_proofs(tmp_path / "proof.yaml")


def test_hia_is_unproven():
    """Right on BodyParts3D; on one mesh of a skeleton 1.25 degrees too large, and the 90 % interval holds 72 %."""
    assert proofs().of(by_name("hia"))
    assert not proofs().stands(by_name("hia"))


def test_nothing_is_proven_for_other_weights_or_another_construction():
    used = proofs().weights["careful"]
    assert proofs().proven(MEASURES, used | {"landmarks.safetensors": "0" * 64}) == frozenset()
    assert proofs().proven(MEASURES, {"finetuned.safetensors": "0" * 64}) == frozenset()
    assert not proofs().stands(by_name("hva", "head_base"))


ROW = (
    "{{measure: ima, construction: shaft, mae: {mae}, bias: {bias}, coverage: {coverage}, "
    "films: 9, people: {people}, bones: test, tag: S}}"
)


@pytest.mark.parametrize(
    ("change", "stands"),
    [
        ({}, True),
        ({"mae": 1.01}, False),
        ({"bias": -0.51}, False),
        ({"bias": "null"}, False),
        ({"coverage": 0.84}, False),
        ({"people": 1}, False),
    ],
)
def test_a_trial_must_keep_to_every_bound(tmp_path, change, stands):
    """Bounds: the project's own (P), see the file."""
    text = shipped("proof.yaml").read_text(encoding="utf-8").split("trials:")[0]
    row = ROW.format(**({"mae": 0.99, "bias": 0.49, "coverage": 0.86, "people": 2} | change))
    (tmp_path / "proof.yaml").write_text(f"{text}trials: [{row}]\n", encoding="utf-8")
    assert read_proofs(tmp_path / "proof.yaml").stands(by_name("ima")) is stands


def test_every_person_counts_alike(tmp_path):
    """One person read badly is not hidden by many films of another: coverage (0.5 + 3 x 0.98) / 4 = 0.86."""
    text = shipped("proof.yaml").read_text(encoding="utf-8").split("trials:")[0]
    figures = {"mae": 0.5, "bias": 0.0}
    for people, stands in ((3, True), (2, False)):
        rows = ROW.format(**figures, coverage=0.5, people=1), ROW.format(**figures, coverage=0.98, people=people)
        (tmp_path / "proof.yaml").write_text(f"{text}trials: [{', '.join(rows)}]\n", encoding="utf-8")
        assert read_proofs(tmp_path / "proof.yaml").stands(by_name("ima")) is stands


def test_biases_of_two_people_that_go_opposite_ways_do_not_cancel(tmp_path):
    """Read 0.9 degrees too large on one foot and 0.9 too small on another, a number is biased on either."""
    text = shipped("proof.yaml").read_text(encoding="utf-8").split("trials:")[0]
    for bias, stands in ((0.9, False), (0.4, True)):
        rows = [ROW.format(mae=0.95, bias=one, coverage=0.9, people=1) for one in (bias, -bias)]
        (tmp_path / "proof.yaml").write_text(f"{text}trials: [{', '.join(rows)}]\n", encoding="utf-8")
        assert read_proofs(tmp_path / "proof.yaml").stands(by_name("ima")) is stands


def test_a_trial_of_what_there_is_not_is_one_clear_error(tmp_path):
    text = shipped("proof.yaml").read_text(encoding="utf-8").replace("measure: hia", "measure: hai")
    (tmp_path / "proof.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"proof\.yaml.*no measure 'hai'"):
        read_proofs(tmp_path / "proof.yaml")
