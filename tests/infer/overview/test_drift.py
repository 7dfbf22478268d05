"""A run against an earlier one: against itself nothing, against a known shift that shift, never two readers as one."""

import statistics

import numpy as np
import pytest
import statsmodels.api as sm

from raysplay.configs.protocol import read_protocol
from raysplay.configs.reader_error import reader_error
from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.overview import overview
from raysplay.infer.overview.changed import difference
from raysplay.infer.overview.drift_report import NOT_ALIKE, NOTHING_CHANGED, drift_blocks
from raysplay.infer.overview.same_films import matched_films
from raysplay.infer.overview.shifted import ALARM, shifted
from raysplay.infer.report.document import Bullets, DataTable, Notice, Paragraph

from .conftest import MEASURES, File, Foot, archive, change_about, rows_of, write_run


def said(made):
    """Every sentence of a report."""
    text = []
    for block in drift_blocks(made):
        if isinstance(block, Paragraph | Notice):
            text.append(block.text)
        elif isinstance(block, Bullets):
            text += block.items
    return text


def table(made, begins):
    (found,) = [b for b in drift_blocks(made) if isinstance(b, DataTable) and b.caption.startswith(begins)]
    return found


def test_against_itself_nothing_changed(harbour):
    made = overview(harbour, against=harbour)
    drift = made.drift
    assert drift.changed.nothing
    assert not drift.read_otherwise
    assert drift.shifted is None
    (line,) = [line for line in said(made) if line.startswith(NOTHING_CHANGED)]
    assert "4 feet on 4 films" in line or "4 feet" in line
    assert not any(isinstance(block, Notice) for block in drift_blocks(made))


def test_a_known_shift_of_the_same_films_is_found(tmp_path):
    """1.0 degree on every HVA, nothing on the others; intervals of 0.8 and the published error of reading know it."""
    before = write_run(tmp_path / "before", archive(60))
    now = write_run(tmp_path / "now", archive(60, shift=1.0))
    made = overview(now, against=before)
    hva, ima, ima45 = made.drift.changed.measures
    assert (hva.compared, hva.changed, ima.changed, ima45.changed) == (60, 60, 0, 0)
    assert hva.bias.value == pytest.approx(1.0)
    assert hva.outside == 60
    assert hva.beyond == 0
    assert made.drift.changed.moved_decisions == 0
    assert not any(line.startswith(NOTHING_CHANGED) for line in said(made))
    assert table(made, "Numbers of the same feet").rows[0][2] == "60 (100.0 %)"


def test_beyond_reading_error_is_more_than_two_readings_differ_by(tmp_path):
    """1.96 sqrt(2) SEM (Bland and Altman, Lancet 1986): 4.9 degrees for HVA by the shipped error."""
    limit = 1.959964 * 2**0.5 * reader_error("hva").sem
    files = archive(3)
    shifts = (limit - 0.1, limit + 0.1, -limit - 0.1)
    moved = archive(3)
    for one, by in zip(moved, shifts, strict=True):
        one.feet[0].values["hva"] += by
    made = overview(write_run(tmp_path / "now", moved), against=write_run(tmp_path / "before", files))
    assert made.drift.changed.measures[0].beyond == 2
    largest = made.drift.changed.measures[0].largest
    assert [abs(one.change) for one in largest] == sorted((abs(one.change) for one in largest), reverse=True)


def test_the_interval_of_the_mean_change_keeps_both_feet_of_a_person_together(tmp_path):
    """A mean with errors clustered by person, by statsmodels; its factor here is persons / (persons - 1)."""
    files, again = archive(40, feet=2), archive(40, feet=2)
    rng = np.random.default_rng(8)
    for one in again:
        lean = rng.normal(0.3, 1.0)
        for foot in one.feet:
            foot.values["hva"] += lean + rng.normal(0.0, 0.1)
    now, before = write_run(tmp_path / "now", again), write_run(tmp_path / "before", files)
    found = overview(now, against=before).drift.changed.measures[0].bias
    first, second = rows_of(before, "feet.csv"), rows_of(now, "feet.csv")
    change = np.array([float(b["hva"]) - float(a["hva"]) for a, b in zip(first, second, strict=True)])
    person = np.repeat(np.arange(40), 2)
    fit = sm.OLS(change, np.ones((80, 1))).fit(cov_type="cluster", cov_kwds={"groups": person, "use_correction": False})
    half = 2.022691 * fit.bse[0] * np.sqrt(40 / 39)  # t of 39 degrees of freedom
    assert found.value == pytest.approx(change.mean())
    assert (found.low, found.high) == pytest.approx((change.mean() - half, change.mean() + half), abs=1e-4)


def test_every_number_of_the_comparison_is_one_of_the_tables(tmp_path):
    """Counted anew from the CSV files of both runs: 70 films of two feet, changes of all sizes, some numbers gone."""
    files, again = archive(90, feet=2), archive(90, feet=2)[20:]
    rng = np.random.default_rng(12)
    for one in again:
        for foot in one.feet:
            foot.values["hva"] += float(rng.choice([0.0, 0.3, rng.normal(0.0, 4.0)]))
            if rng.random() < 0.1:
                foot.values.pop("ima")
    before, now = (
        write_run(tmp_path / "before", files),
        write_run(tmp_path / "now", again + archive(15, seed=6, first=500)),
    )
    made = overview(now, against=before)
    earlier = {(row["film"], row["foot"]): row for row in rows_of(before, "feet.csv")}
    pairs = [
        (row, earlier[row["film"], row["foot"]])
        for row in rows_of(now, "feet.csv")
        if (row["film"], row["foot"]) in earlier
    ]
    films = {row["film"] for row, _ in pairs}
    assert f"{len(pairs)} feet on {len(films)} films are compared." in said(made)
    rows = {row[0].split(" (")[0]: row for row in table(made, "Numbers of the same feet").rows}
    for name, abbreviation in (("hva", "HVA"), ("ima", "IMA"), ("ima45", "IMA 4-5")):
        both = [(a, b) for a, b in pairs if a[name] and b[name]]
        moved = [(a, b) for a, b in both if a[name] != b[name]]
        outside = [
            (a, b) for a, b in moved if not float(b[f"{name}_low"]) <= float(a[name]) <= float(b[f"{name}_high"])
        ]
        _, compared, changed, mean, beside, beyond, lost, gained = rows[abbreviation]
        assert int(compared) == len(both)
        assert changed == f"{len(moved)} ({100 * len(moved) / len(both):.1f} %)"
        assert beside.split()[0] == str(len(outside))
        difference = statistics.fmean(float(a[name]) - float(b[name]) for a, b in both)
        assert float(mean.split()[0]) == pytest.approx(difference, abs=0.0051)
        assert int(lost) == sum(bool(b[name]) and not a[name] for a, b in pairs)
        assert int(gained) == sum(bool(a[name]) and not b[name] for a, b in pairs)
        if name != "ima45":
            limit = 1.959964 * 2**0.5 * reader_error(name).sem
            assert beyond.split()[0] == str(sum(abs(float(a[name]) - float(b[name])) > limit for a, b in both))
    assert rows["IMA 4-5"][5] == "no published error"
    largest = table(made, "Largest changes of HVA")
    sizes = sorted((abs(float(a["hva"]) - float(b["hva"])) for a, b in pairs), reverse=True)
    assert [abs(float(row[4])) for row in largest.rows] == pytest.approx([round(one, 1) for one in sizes[:15]])
    new = [row for row in rows_of(now, "films.csv") if row["film"] not in {one.name for one in files}]
    assert f"{len(new)} new films of 15 persons against 90 films of 90 persons." in " ".join(said(made))
    listed = {row[0]: row[1:] for row in table(made, "Every file of both runs once").rows}
    assert listed["all files"] == ("85", "90")
    assert listed["in this run only"][0] == "15"
    assert listed["gone: in the earlier run only"][1] == "20"


def test_angles_are_compared_the_short_way_round():
    assert difference(np.array([179.0, -179.0, 10.0]), np.array([-179.0, 179.0, 8.0]), "deg").tolist() == [
        -2.0,
        2.0,
        2.0,
    ]
    assert difference(np.array([200.0]), np.array([10.0]), "mm").tolist() == [190.0]


@pytest.mark.parametrize("what", ["weights", "configs", "protocol", "versions", "code"])
def test_two_readers_are_never_mixed_in_silence(tmp_path, what):
    before = write_run(tmp_path / "before", archive(12))
    now = write_run(tmp_path / "now", archive(12))
    if what == "code":
        for folder, code in ((before, "0" * 64), (now, "1" * 64)):
            ledger = Ledger(folder)
            ledger.note(key={"the code of Raysplay": code})
            ledger.close()
    elif what in ("weights", "configs"):
        name = "landmarks.safetensors" if what == "weights" else "decision.yaml"
        change_about(now, lambda about: about["digests"][what].update({name: "cd" * 32}))
    elif what == "protocol":
        change_about(now, lambda about: about["protocol"].update(sha256="cd" * 32))
    else:
        change_about(now, lambda about: about["versions"].update(torch="0.1"))
    made = overview(now, against=before)
    (told,) = made.drift.read_otherwise
    assert {
        "weights": "weights",
        "configs": "decision.yaml",
        "protocol": "protocol",
        "versions": "torch",
        "code": "code",
    }[what] in told
    notices = [block.text for block in drift_blocks(made) if isinstance(block, Notice)]
    assert notices == [NOT_ALIKE]
    assert f'<p class="notice">{NOT_ALIKE}' in made.page()


@pytest.mark.parametrize(("ledgers", "told"), [(True, ()), (False, ("the weights side_letters.safetensors",))])
def test_weights_that_an_earlier_version_did_not_name_are_taken_from_the_ledgers(tmp_path, ledgers, told):
    """Where no ledger tells them, they may be others, and that is said."""
    before = write_run(tmp_path / "before", archive(4))
    now = write_run(tmp_path / "now", archive(4))
    change_about(now, lambda about: about["digests"]["weights"].update({"side_letters.safetensors": "cd" * 32}))
    for folder in (before, now) if ledgers else ():
        ledger = Ledger(folder)
        ledger.note(key={"the weights side_letters.safetensors": "cd" * 32})
        ledger.close()
    assert overview(now, against=before).drift.read_otherwise == told


def test_without_a_ledger_it_is_said_that_the_code_is_not_known(harbour):
    made = overview(harbour, against=harbour)
    assert made.drift.code_unknown
    assert any("same code cannot be told" in line for line in said(made))


def test_numbers_of_two_constructions_are_not_compared(tmp_path):
    own = tmp_path / "own.yaml"
    own.write_text("reported: [hva, ima, hia]\nconstruction: head_base\n")
    measures = read_protocol(own).reported_measures()
    now = write_run(tmp_path / "now", archive(12), measures=measures, protocol_file=own)
    made = overview(now, against=write_run(tmp_path / "before", archive(12)))
    changed = made.drift.changed
    assert changed.other_construction == ("hva", "ima")
    assert (changed.measures, changed.only_now, changed.only_before) == ((), ("hia",), ("ima45",))
    text = " ".join(said(made))
    assert "HVA and IMA; built by another construction now" in text
    assert any(isinstance(block, Notice) for block in drift_blocks(made))


def test_decisions_and_numbers_that_come_and_go_are_counted(tmp_path):
    full = {"hva": 20.0, "ima": 10.0, "ima45": 8.0}
    before = [File(f"{n}.dcm", (Foot("R", o, dict(full)),)) for n, o in enumerate(("accepted", "accepted", "review"))]
    now = [
        File("0.dcm", (Foot("R", "review", {"hva": 20.0, "ima": 10.0}),)),
        File("1.dcm", (Foot("R", "refused", {}),)),
        File("2.dcm", (Foot("R", "accepted", dict(full)),)),
    ]
    made = overview(write_run(tmp_path / "now", now), against=write_run(tmp_path / "before", before))
    moved = made.drift.changed.decisions
    assert moved == {("accepted", "review"): 1, ("accepted", "refused"): 1, ("review", "accepted"): 1}
    assert table(made, "Decisions of the same feet").rows[0] == ("accepted before", "0", "1", "1")
    hva, _, ima45 = made.drift.changed.measures
    assert (hva.lost, ima45.lost, hva.changed) == (1, 2, 0)
    assert not made.drift.changed.nothing


def test_other_films_with_a_shift_are_found_and_put_into_words(tmp_path):
    before = write_run(tmp_path / "before", archive(150))
    now = write_run(tmp_path / "now", archive(40) + archive(150, seed=6, first=1000, shift=6.0))
    made = overview(now, against=before)
    other = made.drift.shifted
    assert (other.films, other.persons) == ((150, 150), (150, 150))
    hva, ima, ima45 = other.measures
    assert hva.differs
    assert not ima.differs
    assert not ima45.differs
    assert 3.0 < hva.difference.value < 9.0
    lines = [line for line in said(made) if line.startswith(("HVA:", "IMA:", "IMA 4-5:"))]
    assert "differ by more than chance explains" in lines[0]
    assert "higher" in lines[0]
    assert all("no difference of the distributions was found" in line for line in lines[1:3])
    text = " ".join(said(made))
    assert "What a difference does not mean" in text
    assert "What no difference does not mean" in text


def test_of_distributions_that_differ_in_shape_no_median_is_called_higher(tmp_path):
    """Half of the spread about the same middle: Kolmogorov-Smirnov finds it, and no median moves."""
    before, new = archive(200), archive(200, seed=6, first=1000)
    for one in new:
        one.feet[0].values["hva"] = 22.0 + (one.feet[0].values["hva"] - 22.0) / 3.0
    made = overview(write_run(tmp_path / "now", new), against=write_run(tmp_path / "before", before))
    hva = made.drift.shifted.measures[0]
    assert hva.differs
    assert hva.difference.low <= 0.0 <= hva.difference.high
    (line,) = [line for line in said(made) if line.startswith("HVA: the distributions differ")]
    assert "It need not be the median" in line
    assert "higher" not in line
    assert "lower" not in line


def test_a_person_counts_once(tmp_path):
    """20 persons with 10 films each are 20, not 200; their numbers the means of their feet, computed here anew."""
    new = archive(200, seed=6, first=1000, feet=2)
    for number, one in enumerate(new):
        one.person = f"guest {number // 10}"
    now = write_run(tmp_path / "now", new)
    made = overview(now, against=write_run(tmp_path / "before", archive(30)))
    other = made.drift.shifted
    assert other.persons == (30, 20)
    hva = [float(row["hva"]) for row in rows_of(now, "feet.csv")]
    means = np.array(hva).reshape(20, 20).mean(axis=1)
    assert other.measures[0].medians[1] == pytest.approx(np.median(means))
    worst = [row["decision"] for row in rows_of(now, "feet.csv")]
    reviewed = sum("review" in worst[i : i + 20] for i in range(0, 400, 20))
    assert other.decisions["review"][1] == reviewed


def test_persons_of_both_runs_are_not_counted_twice(tmp_path):
    """With one key codes are the same: new films of old persons would make the groups depend on each other."""
    new = archive(50, seed=6, first=1000)
    for one in new[:20]:
        one.person = f"person {new.index(one)}"
    made = overview(write_run(tmp_path / "now", new), against=write_run(tmp_path / "before", archive(50)))
    assert made.drift.shifted.in_both == 20
    assert made.drift.shifted.films == (50, 30)
    assert any("20 persons whom the earlier run has, too" in line for line in said(made))


@pytest.mark.parametrize("number", [1, 9])
def test_of_few_persons_nothing_is_tested(tmp_path, number):
    new = archive(number, seed=6, first=1000)
    made = overview(write_run(tmp_path / "now", new), against=write_run(tmp_path / "before", archive(50)))
    assert not made.drift.shifted.enough
    assert any("No test was made" in line for line in said(made))


class Drawn:
    """A run without files: numbers of persons with two feet each, which go together."""

    def __init__(self, seed, persons, first):
        rng = np.random.default_rng(seed)
        self.film_count = persons
        self.film_of = np.repeat(np.arange(persons), 2)
        own = rng.normal(0, 1, (persons, 3))
        feet = np.repeat(own, 2, axis=0) + rng.normal(0, 0.3, (2 * persons, 3))
        self.values = np.repeat((feet * [8, 3, 2] + [22, 12, 9]).round(1)[:, :, None], 3, axis=2)
        decided = np.repeat(rng.choice(["accepted", "review"], persons, p=(0.8, 0.2)), 2)
        self.decisions = self.sides = self
        self._lists = decided.tolist()
        self.measures, self.reasons = MEASURES, [()] * (2 * persons)
        self._names = [f"{first + i}.dcm" for i in range(persons)]

    def to_pylist(self):
        return self._lists

    def film_names(self):
        return self._names

    def digests(self):
        return self._names

    def stated(self, column):
        return [""] * self.film_count


@pytest.mark.slow
def test_two_runs_of_one_population_alarm_as_rarely_as_is_said():
    """600 pairs of runs whose persons have two feet that go together: any alarm in 5 % of them.

    At most 5 % and three standard errors (0.027). Counting feet instead of persons gives 18 % here.
    """
    alarms = 0
    for number in range(600):
        now, before = Drawn([number, 1], 60, 1000), Drawn([number, 2], 80, 0)
        other = shifted(now, before, matched_films(now, before))
        assert other.persons == (80, 60)
        alarms += other.decisions_differ or any(one.differs for one in other.measures)
    assert alarms / 600 <= ALARM + 0.027


def test_the_earlier_runs_own_name_of_a_renamed_film_is_told(tmp_path):
    one, again = archive(1), archive(1, shift=3.0)
    one[0].content = again[0].content = "same"
    again[0].name = "autumn/keeper.dcm"
    made = overview(write_run(tmp_path / "now", again), against=write_run(tmp_path / "before", one))
    rows = table(made, "Largest changes of HVA").rows
    assert rows[0][0] == "autumn/keeper.dcm (before: spring/keeper-0000.dcm)"
    assert rows[0][4] == "+3.0"


def test_harbour_against_a_run_without_its_files(harbour, tmp_path):
    """Nothing in common: no sentence says that nothing changed."""
    other = write_run(tmp_path / "other", [File("x.dcm", (Foot(),), content="x")])
    made = overview(harbour, against=other)
    assert "No film of this run was read by the earlier one." in said(made)
    assert not any(line.startswith(NOTHING_CHANGED) for line in said(made))
