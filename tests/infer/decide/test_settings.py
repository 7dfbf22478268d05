"""The thresholds are data, checked when read."""

import pytest
import yaml

from raysplay.configs.load import CONFIG_DIR, ConfigError, load
from raysplay.infer.decide.settings import DecisionLimits, decision_settings


@pytest.fixture
def shipped():
    return yaml.safe_load((CONFIG_DIR / "decision.yaml").read_text(encoding="utf-8"))


def test_every_shipped_threshold_arrives(shipped):
    limits = decision_settings().model_dump()
    assert limits.keys() == shipped.keys()
    assert limits["interval"]["widest"] == shipped["interval"]["widest"]


@pytest.mark.parametrize(
    ("section", "key", "value", "said"),
    [
        ("view", "doubtful_dp_below", 1.4, "must be at most 1"),
        ("interval", "widest", {"hvb": 5.0}, "no such measure: hvb"),
        ("shape", "slenderness", [1.0, 0.1], "lower bound"),
        ("side", "unknown_key", 1, "is not known here"),
        ("remarks", "for_review", ["spacing values in conflict"], "remarks.for_review"),
        ("loading", "for_review", ["sitting"], "loading.for_review"),
    ],
)
def test_a_wrong_threshold_is_refused_by_name(shipped, tmp_path, section, key, value, said):
    shipped[section][key] = value
    path = tmp_path / "decision.yaml"
    path.write_text(yaml.safe_dump(shipped), encoding="utf-8")
    with pytest.raises(ConfigError, match=said) as caught:
        load(DecisionLimits, path)
    assert str(path) in str(caught.value)
