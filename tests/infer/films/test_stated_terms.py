"""Words for parts and views in the languages of archives; common practice, no source."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset

from raysplay.infer.films.header_terms import stated_terms
from raysplay.infer.films.stated_terms import stated_terms_settings, terms_in


@pytest.mark.parametrize(
    ("text", "terms"),
    [
        ("Foot dp standing", {"foot", "dorsoplantar"}),
        ("FEET W/B", {"foot"}),
        ("Vorfuß d.p. und seitlich", {"foot", "lateral"}),
        ("Fuss li. im Stehen dorsoplantar", {"foot", "dorsoplantar"}),
        ("Füße beidseits a.p.", {"foot"}),
        ("Pied gauche de profil en charge", {"foot", "lateral"}),
        ("Avant-pied dorsoplantaire", {"foot", "dorsoplantar"}),
        ("Pie derecho oblicua", {"foot", "oblique"}),
        ("Piede sinistro sotto carico", {"foot"}),
        ("Pé esquerdo perfil", {"foot", "lateral"}),
        ("Voet links schuin", {"foot", "oblique"}),
        ("Mittelfußknochen", {"foot"}),
        ("CHEST PA", {"trunk"}),
        ("Thorax p.a. und seitlich", {"trunk", "lateral"}),
        ("Main gauche", {"hand"}),
        ("Sprunggelenk in 2 Ebenen", {"ankle"}),
        ("LWS seitl.", {"trunk", "lateral"}),
        ("Knie rechts", {"leg"}),
        ("Lateral sesamoid view", {"lateral", "axial"}),
        ("", set()),
        ("football, piece, handle, laterality", {"lateral"}),
        ("12 345", set()),
    ],
)
def test_words(text, terms) -> None:
    assert set(terms_in(text)) == terms


def test_of_a_header() -> None:
    ds = Dataset()
    ds.BodyPartExamined, ds.ViewPosition, ds.StudyDescription = "FOOT", "AP", "SECRET^NAME came by boat"
    assert stated_terms(ds) == ("foot", "dorsoplantar")
    ds.BodyPartExamined = "ANKLE"
    assert stated_terms(ds) == ("ankle",)


def test_nothing_but_terms_leaves() -> None:
    settings = stated_terms_settings()
    known = set(settings.parts) | set(settings.views)
    ds = Dataset()
    ds.SeriesDescription = "Foot of KEEPER^ANNA, lateral"
    assert set(stated_terms(ds)) <= known
    assert not {"foot", "ankle", "calcaneus"} & settings.other_parts
