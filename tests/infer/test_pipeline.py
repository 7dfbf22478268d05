"""The pipeline over real files and a real decoder; only the network is a stand-in, made from known points."""

import shutil
import threading
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import Candidate, collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, Spacing, SpacingKind
from raysplay.infer.films.polarity import INVERTED, UNCLEAR
from raysplay.infer.pipeline import FilmPipeline
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, Outcome, Withheld
from raysplay.infer.spending import add_operations, stage

LATERAL = {"dp": 0.02, "oblique": 0.03, "lateral": 0.95, "other": 0.0}
OBLIQUE = {"dp": 0.02, "oblique": 0.97, "lateral": 0.01, "other": 0.0}


class KnownFeet:
    """Answers with feet placed beforehand, by file name; a name without feet has none."""

    def __init__(self, feet=None, fail_on=()):
        self.feet = feet or {}
        self.fail_on = fail_on
        self.measured = []
        self.digests = {"known": "0" * 64}

    def find(self, film):
        if film.path.name in self.fail_on:
            raise ZeroDivisionError("PATIENT^NAME")
        return [landmarks.foot for landmarks in self.feet.get(film.path.name, ())]

    def landmarks(self, film, foot):
        self.measured.append(film.path.name)
        return next(one for one in self.feet[film.path.name] if one.foot is foot)


@pytest.fixture
def archive(tmp_path):
    """Folder of PNG films; each differs in one pixel, so that none is a copy of another."""

    def made(*names):
        for i, name in enumerate(names):
            pixels = np.full((1000, 900), 40, dtype=np.uint8)
            pixels[150:950, 200:650] = 140
            pixels[0, i] = 255
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            Image.fromarray(pixels).save(tmp_path / name)
        return tmp_path

    return made


@pytest.fixture
def read(schema):
    def run(folder, feet, by=None):
        with FilmReader() as films:
            return list(
                FilmPipeline(films, feet, decision_settings(), schema, by or protocol()).read(
                    collect([folder]).candidates
                )
            )

    return run


def test_a_foot_is_measured_as_the_golden_foot(archive, read, place):
    """Golden angles (fact sheet, section 8.5) through decoder, frame, measures and decision."""
    folder = archive("right.png", "left.png", "down.png")
    feet = KnownFeet(
        {
            "right.png": [place("R")],
            "left.png": [place("L")],
            "down.png": [place("L", turned=True, origin=(450.0, 300.0))],
        }
    )
    done = {one.record.film: one for one in read(folder, feet)}
    for name, side in (("right.png", "R"), ("left.png", "L"), ("down.png", "L")):
        (foot,) = done[name].record.feet
        assert foot.landmarks.foot.side == side
        assert foot.decision.outcome is Outcome.ACCEPTED, foot.decision
        values = {one.measure: one.value for one in foot.measurements}
        expected = {"hva": 31.995, "ima": 13.995, "ima45": 7.991}
        assert values == pytest.approx(expected, abs=0.002)
        assert all(one.low < one.value < one.high for one in foot.measurements)


def test_every_file_has_its_row_whatever_is_in_it(archive, read, place, tmp_path):
    folder = archive("a_good.png", "c_none.png", "d_fails.png", "f_last.png")
    shutil.copy(folder / "a_good.png", folder / "b_copy.png")
    (folder / "e_text.txt").write_text("no film", encoding="utf-8")
    (folder / "g_empty.dcm").write_bytes(b"")
    feet = KnownFeet({n: [place()] for n in ("a_good.png", "f_last.png")}, fail_on=("d_fails.png",))
    records = [one.record for one in read(folder, feet)]
    assert [record.film for record in records] == sorted(path.name for path in folder.iterdir())
    reasons = {record.film: record.decision.reasons[0] for record in records if record.decision}
    assert reasons["b_copy.png"] == Reason(ReasonKind.DUPLICATE, "duplicate: same file as a_good.png")
    assert reasons["c_none.png"].kind is ReasonKind.NO_FOOT_FOUND
    failed = Reason(ReasonKind.INTERNAL_ERROR, "not read: internal error (ZeroDivisionError)")
    assert reasons["d_fails.png"] == failed
    assert reasons["e_text.txt"].kind is ReasonKind.OTHER_FILE
    assert reasons["g_empty.dcm"].kind is ReasonKind.UNREADABLE
    assert all(record.decision.outcome is Outcome.REFUSED for record in records if record.decision)
    assert [len(record.feet) for record in records] == [1, 0, 0, 0, 0, 1, 0]


def test_a_lateral_view_is_refused_and_never_measured(archive, read, place):
    feet = KnownFeet({"a.png": [place(view=LATERAL), place("R")]})
    (one,) = read(archive("a.png"), feet)
    lateral, dp = one.record.feet
    assert lateral.decision.outcome is Outcome.REFUSED
    assert lateral.measurements == ()
    assert not np.isfinite(lateral.landmarks.points).any()
    assert dp.decision.outcome is Outcome.ACCEPTED
    assert feet.measured == ["a.png"]


def test_a_foot_refused_by_its_landmarks_view_keeps_nothing_of_what_was_read(archive, read, place):
    """A film that is no DP foot film is refused, never measured (order of work): no number, no landmark, no mark."""

    class SeesMore(KnownFeet):
        def landmarks(self, film, foot):
            found = super().landmarks(film, foot)
            return replace(found, foot=replace(foot, view=OBLIQUE)) if foot.side == "L" else found

    feet = SeesMore({"a.png": [place("L"), place("R")]})
    (one,) = read(archive("a.png"), feet)
    oblique, dp = one.record.feet
    assert feet.measured == ["a.png", "a.png"]
    assert [reason.kind for reason in oblique.decision.reasons] == [ReasonKind.NOT_DORSOPLANTAR]
    assert oblique.measurements == ()
    assert not np.isfinite(oblique.landmarks.points).any()
    assert not oblique.landmarks.confidence.any()
    assert oblique.landmarks.foot.view == OBLIQUE
    assert one.doubtful == ((), ())
    assert dp.decision.outcome is Outcome.ACCEPTED


def test_two_views_of_one_foot_are_told_apart_by_the_landmarks_view(archive, read, place):
    """Seen from afar both look dorsoplantar; that one is oblique must not make the other a side read twice."""

    class SeesMore(KnownFeet):
        def landmarks(self, film, foot):
            found = super().landmarks(film, foot)
            return replace(found, foot=replace(foot, view=OBLIQUE)) if foot.score < 0.95 else found

    other = place("R")
    other = replace(other, foot=replace(other.foot, score=0.9))
    (one,) = read(archive("a.png"), SeesMore({"a.png": [place("R"), other]}))
    assert [foot.decision.outcome for foot in one.record.feet] == [Outcome.ACCEPTED, Outcome.REFUSED]


def test_a_point_below_confidence_withholds_its_measures_and_no_other(archive, read, place, schema):
    landmarks = place()
    landmarks.confidence[schema.index("M5d_lat")] = 0.05
    (one,) = read(archive("a.png"), KnownFeet({"a.png": [landmarks]}))
    (foot,) = one.record.feet
    assert {m.measure for m in foot.measurements if np.isnan(m.value)} == {"ima45"}
    assert foot.decision == Decision(
        Outcome.ACCEPTED, (Reason(ReasonKind.WITHHELD, "withheld: IMA 4-5, for want of usable points"),)
    )
    assert {m.measure: m.withheld for m in foot.measurements if m.withheld} == {"ima45": Withheld.NO_POINTS}
    assert one.doubtful == ((schema.index("M5d_lat"),),)


@pytest.mark.parametrize(
    "spacing",
    [
        Spacing(0.4, 0.2, SpacingKind.DETECTOR_PLANE, 2.0, shape_confirmed=True),
        Spacing(aspect=2.0, shape_confirmed=True),
    ],
    ids=["mm", "aspect only"],
)
def test_pixels_that_are_not_square_do_not_bend_angles(place, schema, film, spacing):
    """A film squeezed to half its rows, said so by its spacing, gives the angles of the square one."""
    squeezed = place()
    points = squeezed.points * [1.0, 0.5]
    narrow = replace(film, spacing=spacing, pixels=film.pixels[::2], path=Path("a.png"))

    class OneFilm:
        def read(self, path):
            return narrow

    feet = KnownFeet({"a.png": [replace(squeezed, points=points)]})
    (one,) = FilmPipeline(OneFilm(), feet, decision_settings(), schema, protocol()).read(
        [Candidate(Path("a.png"), "a.png")]
    )
    (foot,) = one.record.feet
    assert foot.measurements[0].value == pytest.approx(31.995, abs=0.002)
    assert foot.decision.outcome is Outcome.ACCEPTED, foot.decision


class KnowsBrightBone(KnownFeet):
    """The same feet on every film, stranger where the middle of the foot is darker than the air beside it."""

    def __init__(self, landmarks, strange=(1.0, 6.0), **options):
        super().__init__(**options)
        self.one, (self.usual, self.odd) = landmarks, strange

    def find(self, film):
        super().find(film)
        return [self.one.foot]

    def landmarks(self, film, foot):
        self.measured.append(film.path.name)
        bright = film.pixels[500, 450] > film.pixels[500, 150]
        return replace(self.one, strangeness=self.usual if bright else self.odd)


@pytest.fixture
def margined(tmp_path):
    """A bar of bone in air, in a field with an unexposed grey margin; also its negative. Neither has a bright frame."""
    pixels = np.full((1000, 900), 128, dtype=np.uint8)
    pixels[100:900, 100:800] = 20
    pixels[150:850, 300:600] = 220
    Image.fromarray(pixels).save(tmp_path / "right.png")
    Image.fromarray(255 - pixels).save(tmp_path / "turned.png")
    return tmp_path, pixels / np.float32(255)


def test_a_film_in_doubt_is_read_the_way_its_feet_are_usual(margined, read, place):
    folder, pixels = margined
    feet = KnowsBrightBone(place())
    right, turned = read(folder, feet)
    assert feet.measured == ["right.png", "turned.png", "turned.png"]
    assert INVERTED not in right.record.remarks
    assert turned.record.remarks.count(INVERTED) == 1
    assert UNCLEAR not in turned.record.remarks
    for one in (right, turned):
        np.testing.assert_allclose(one.film.pixels, pixels, atol=1e-6)
        (foot,) = one.record.feet
        assert foot.decision.outcome is Outcome.ACCEPTED, foot.decision
        assert foot.landmarks.strangeness == 1.0


@pytest.mark.parametrize(("strange", "kept"), [((6.0, 1.0), False), ((1.0, 1.0), False), ((1.0, 1.4), True)])
def test_a_film_in_doubt_stays_as_it_is_where_its_negative_is_no_better(margined, read, place, strange, kept):
    folder, pixels = margined
    (folder / "right.png").unlink()
    (one,) = read(folder, KnowsBrightBone(place(), strange))
    assert (INVERTED in one.record.remarks) == kept
    np.testing.assert_allclose(one.film.pixels, pixels if kept else 1 - pixels, atol=1e-6)


def test_a_polarity_that_the_feet_do_not_settle_goes_to_a_person(margined, read, place):
    folder, _ = margined
    (folder / "right.png").unlink()
    (one,) = read(folder, KnowsBrightBone(place(), (1.0, 1.4)))
    (foot,) = one.record.feet
    assert foot.decision.outcome is Outcome.REVIEW
    assert any(reason.kind is ReasonKind.FILE_REMARK for reason in foot.decision.reasons)


def test_no_foot_counts_as_stranger_than_any(margined, read, place):
    """A lateral foot is refused before its landmarks; seen so in one polarity only, the other is kept."""

    class LateralIfDark(KnowsBrightBone):
        def find(self, film):
            bright = film.pixels[500, 450] > film.pixels[500, 150]
            return [self.one.foot if bright else replace(self.one.foot, view=LATERAL)]

    folder, _ = margined
    (folder / "right.png").unlink()
    (one,) = read(folder, LateralIfDark(place(), (3.0, 3.0)))
    (foot,) = one.record.feet
    assert foot.decision.outcome is Outcome.ACCEPTED, foot.decision
    assert INVERTED in one.record.remarks


class BlankFilms:
    """Reads every file as an empty film and notes who reads; ``done`` tells when a film has been read."""

    def __init__(self, names=""):
        self.done = {name: threading.Event() for name in names}
        self.threads = set()

    def read(self, path):
        self.threads.add(threading.current_thread())
        if path.name in self.done:
            self.done[path.name].set()
        return Film(path, np.zeros((200, 200), np.float32))


def candidates(*names):
    return [Candidate(Path(name), name) for name in names]


def test_decoding_goes_on_while_the_network_looks(schema):
    """The network does not come back from a film before the next one has been decoded."""
    names = "abcdefghij"
    films = BlankFilms(names)

    class LooksUntilTheNextIsThere(KnownFeet):
        def find(self, film):
            following = names[names.index(film.path.name) + 1 :][:1]
            if following:
                assert films.done[following].wait(timeout=120), "decoding waits for the network"
            return super().find(film)

    feet = LooksUntilTheNextIsThere()
    done = list(FilmPipeline(films, feet, decision_settings(), schema, protocol()).read(candidates(*names)))
    assert [one.record.film for one in done] == list(names)
    assert all(one.record.decision.reasons[0].kind is ReasonKind.NO_FOOT_FOUND for one in done)
    assert threading.current_thread() not in films.threads


def test_decoding_never_runs_far_ahead(schema):
    """What has not been taken from the list of files cannot have been decoded."""
    names, taken = "abcdefghij", []

    def listed():
        for candidate in candidates(*names):
            taken.append(candidate.name)
            yield candidate

    pipeline = FilmPipeline(BlankFilms(), KnownFeet(), decision_settings(), schema, protocol())
    for count, _ in enumerate(pipeline.read(listed()), start=1):
        assert len(taken) <= count + 2
    assert taken == list(names)


def test_an_unexpected_error_of_the_reader_is_that_films_reason(schema):
    class Broken:
        def read(self, path):
            raise UnicodeError("PATIENT^NAME")

    (one,) = FilmPipeline(Broken(), KnownFeet(), decision_settings(), schema, protocol()).read(candidates("a"))
    (reason,) = one.record.decision.reasons
    assert reason == Reason(ReasonKind.INTERNAL_ERROR, "not read: internal error (UnicodeError)")


def test_an_interruption_is_not_swallowed(schema):
    class Interrupted(KnownFeet):
        def find(self, film):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(
            FilmPipeline(BlankFilms(), Interrupted(), decision_settings(), schema, protocol()).read(
                candidates("a", "b")
            )
        )


class SeveralAtOnce(KnownFeet):
    """Lets ``at_once`` threads look, and comes back from a film only when as many are looked at as there can be."""

    at_once = 3

    def __init__(self, last):
        super().__init__()
        self.meeting, self.last = threading.Barrier(self.at_once), last
        self.inside, self.most, self.lock = 0, 0, threading.Lock()

    def find(self, film):
        with self.lock:
            self.inside += 1
            self.most = max(self.most, self.inside)
        if film.path.name <= self.last:
            self.meeting.wait(timeout=120)
        with self.lock:
            self.inside -= 1
        if film.path.name == "e":
            raise ZeroDivisionError
        return []


def test_several_films_are_looked_at_at_once_and_come_in_order(schema):
    names = "abcdefghij"
    feet, taken = SeveralAtOnce(last="i"), []

    def listed():
        for candidate in candidates(*names):
            taken.append(candidate.name)
            yield candidate

    films = BlankFilms()
    films.at_once = 2
    done = []
    for count, one in enumerate(
        FilmPipeline(films, feet, decision_settings(), schema, protocol()).read(listed()), start=1
    ):
        assert len(taken) <= count + 4, "films under way are bounded"
        done.append(one.record)
    assert [record.film for record in done] == list(names)
    assert feet.most == 3
    # What fails on one film is that film's own.
    kinds = [record.decision.reasons[0].kind for record in done]
    assert kinds == [ReasonKind.INTERNAL_ERROR if name == "e" else ReasonKind.NO_FOOT_FOUND for name in names]


def test_an_interruption_is_not_swallowed_by_a_thread(schema):
    class Interrupted(KnownFeet):
        at_once = 2

        def find(self, film):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(
            FilmPipeline(BlankFilms(), Interrupted(), decision_settings(), schema, protocol()).read(
                candidates("a", "b", "c")
            )
        )


def test_what_a_film_cost_is_told(schema):
    class Counts(KnownFeet):
        def find(self, film):
            add_operations(7.0)
            with stage("refine"):
                return super().find(film)

    (one,) = FilmPipeline(BlankFilms(), Counts(), decision_settings(), schema, protocol()).read(candidates("a"))
    assert set(one.record.seconds) == {"waiting", "decode", "find", "refine", "landmarks", "measure"}
    assert all(spent >= 0 for spent in one.record.seconds.values())
    assert one.record.operations == 7.0


def test_a_film_that_is_waited_for_while_it_is_decoded_costs_its_decoding_once(schema, monkeypatch):
    """Where films come one by one nothing is decoded ahead: both threads spend the same seconds."""
    now, asked = [100.0], threading.Event()

    def clock():
        if threading.current_thread() is threading.main_thread():
            asked.set()
        return now[0]

    class Slow(BlankFilms):
        def read(self, path):
            assert asked.wait(60), "nobody waits for the film"
            now[0] += 5.0
            return super().read(path)

    monkeypatch.setattr("raysplay.infer.pipeline.time", SimpleNamespace(perf_counter=clock))
    (one,) = FilmPipeline(Slow(), KnownFeet(), decision_settings(), schema, protocol()).read(candidates("a"))
    assert (one.record.seconds["decode"], one.record.seconds["waiting"]) == (5.0, 0.0)
