"""Which films of two runs are the same: by content, whatever they are called; and which feet on them."""

from dataclasses import replace

import pytest

from raysplay.infer.outputs.finished_run import read_run
from raysplay.infer.overview.same_films import MATCHES, Match, matched_films, paired_feet
from raysplay.infer.reason import ReasonKind

from .conftest import File, Foot, write_run

BEFORE = [
    File("a.dcm", (Foot(),), content="A"),
    File("b.dcm", (Foot(),), content="B"),
    File("c.dcm", (Foot(),), content="C"),
    File("d.dcm", (Foot(),), content="D"),
    File("e.dcm", (Foot(),), content="E"),
    File("f.dcm", kind=ReasonKind.TRUNCATED),
    File("g.dcm", kind=ReasonKind.OTHER_FILE),
    File("h.dcm", (Foot(),), content="H"),
    File("i.dcm", kind=ReasonKind.DUPLICATE),
    File("j.dcm", (Foot(),), content="J"),
    File("k.dcm", (Foot(),), content="K", gone=False),
]
NOW = [
    File("0.dcm", (Foot(),), content="E"),  # copied: its old name is a copy now
    File("a.dcm", (Foot(),), content="A"),
    File("b.dcm", (Foot(),), content="other B"),
    File("e.dcm", kind=ReasonKind.DUPLICATE),
    File("f.dcm", (Foot(),), content="F"),  # could not be read before
    File("g.dcm", kind=ReasonKind.OTHER_FILE),
    File("h.dcm", kind=ReasonKind.TRUNCATED),  # can no longer be read
    File("i.dcm", kind=ReasonKind.DUPLICATE),
    File("k.dcm", (Foot(),), content="K", gone=True),
    File("new/c-renamed.dcm", (Foot(),), content="C"),
    File("new/x.dcm", (Foot(),), content="X"),
]
EXPECTED = {
    "0.dcm": Match.COPIED,
    "a.dcm": Match.SAME,
    "b.dcm": Match.CHANGED,
    "e.dcm": Match.COPY,
    "f.dcm": Match.ONE_SIDED,
    "g.dcm": Match.NO_FILM,
    "h.dcm": Match.ONE_SIDED,
    "i.dcm": Match.COPY,
    "k.dcm": Match.SAME,
    "new/c-renamed.dcm": Match.RENAMED,
    "new/x.dcm": Match.ALONE,
}


@pytest.fixture
def runs(tmp_path):
    def made(now, before):
        return read_run(write_run(tmp_path / "now", now)), read_run(write_run(tmp_path / "before", before))

    return made


def test_copied_renamed_changed_and_gone_films_are_told_apart(runs):
    now, before = runs(NOW, BEFORE)
    found = matched_films(now, before)
    assert {name: MATCHES[code] for name, code in zip(now.film_names(), found.now, strict=True)} == EXPECTED
    gone = [name for name, code in zip(before.film_names(), found.before, strict=True) if MATCHES[code] is Match.ALONE]
    assert gone == ["d.dcm", "j.dcm"]
    assert found.gone == 2
    assert found.vanished == 1
    assert sum(found.counts(found.now).values()) == len(NOW)
    assert sum(found.counts(found.before).values()) == len(BEFORE)
    for match in Match:
        if match.is_pair:
            assert found.counts(found.now)[match] == found.counts(found.before)[match]


def test_a_run_matches_itself(runs):
    now, before = runs(BEFORE, BEFORE)
    found = matched_films(now, before)
    assert found.partner[found.now != MATCHES.index(Match.COPY)].tolist() == [0, 1, 2, 3, 4, 5, 6, 7, 9, 10]
    assert {MATCHES[code] for code in found.now} == {Match.SAME, Match.NO_FILM, Match.COPY}


def test_two_names_that_changed_places_are_followed_by_content(runs):
    swapped = [replace(BEFORE[0], content="B"), replace(BEFORE[1], content="A")]
    now, before = runs(swapped, BEFORE[:2])
    found = matched_films(now, before)
    assert found.partner.tolist() == [1, 0]
    assert [MATCHES[code] for code in found.now] == [Match.RENAMED] * 2


def test_feet_are_paired_by_side_and_never_across(runs):
    two = (Foot("L"), Foot("R"))
    now, before = runs(
        [
            File("a.dcm", (Foot("R"), Foot("L")), content="A"),  # found in another order
            File("b.dcm", (Foot("L"),), content="B"),  # another side
            File("c.dcm", two, content="C"),  # one more
            File("d.dcm", (), content="D"),  # none any more
            File("e.dcm", (Foot("R"), Foot("R"), Foot("L")), content="E"),
        ],
        [
            File("a.dcm", two, content="A"),
            File("b.dcm", (Foot("R"),), content="B"),
            File("c.dcm", (Foot("R"),), content="C"),
            File("d.dcm", (Foot("R"),), content="D"),
            File("e.dcm", (Foot("R"), Foot("R"), Foot("R")), content="E"),
        ],
    )
    feet = paired_feet(now, before, matched_films(now, before))
    named = [
        (now.films[i].as_py(), now.sides[i].as_py(), before.sides[j].as_py())
        for i, j in zip(feet.now.tolist(), feet.before.tolist(), strict=True)
    ]
    assert named == [("a.dcm", "R", "R"), ("a.dcm", "L", "L"), ("c.dcm", "R", "R")]
    assert len(feet.other_side) == 1
    assert (feet.only_now, feet.only_before) == (1 + 3, 1 + 3)
