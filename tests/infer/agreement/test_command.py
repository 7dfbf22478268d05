"""``raysplay agreement`` from tables to a folder: figures, report, what was left out, and when it stops.

Figures are checked against scipy and against the arrays that the tables were made of; the page's independence of the
network by what it names (no address is fetched), its look on paper by the size of the PDF's pages (ISO 216 for A4).
"""

import csv
import hashlib
import json
import os
import re
import shutil
import stat

import numpy as np
import pytest
import yaml
from scipy import stats
from typer.testing import CliRunner

from raysplay.configs.load import load, shipped
from raysplay.infer.agreement import agreement, compared
from raysplay.infer.agreement.compared import AgreementStoppedError
from raysplay.infer.decide.settings import DecisionLimits, decision_settings
from raysplay.train.cli import app


def call(*arguments):
    return CliRunner().invoke(app, ["agreement", *(str(one) for one in arguments)], env={"COLUMNS": "240"})


def flat(result):
    return " ".join(result.output.replace("│", " ").split())


def figures(folder):
    with (folder / "agreement.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def figure(rows, **wanted):
    found = [row for row in rows if all(row[name] == value for name, value in wanted.items())]
    assert len(found) == 1, (wanted, len(found))
    return found[0]


def written_study(folder, island, write_run):
    films = [film for film, _ in island.feet]
    decisions = dict.fromkeys(films[20:26], "review") | {films[3]: "refused"}
    run = write_run(folder / "run", island, decisions, withheld={(films[5], "ima")}, lost={films[7]})
    return run, island.tidy(folder / "reads.csv"), folder / "out"


@pytest.fixture
def study(tmp_path, island, write_run):
    """A run and tidy reads of forty films: a refused foot, one never found, one number withheld."""
    return written_study(tmp_path, island, write_run)


@pytest.fixture(scope="module")
def done(tmp_path_factory, make_island, write_run):
    """What the command said of that study, and what it wrote; not to be changed."""
    run, reads, out = written_study(tmp_path_factory.mktemp("study"), make_island(), write_run)
    result = call(run, reads, "--out", out)
    assert result.exit_code == 0, result.output
    return result, out


@pytest.fixture
def compared_study(study, done):
    """The study of ``study`` with what the command wrote of it."""
    shutil.copytree(done[1], study[2])
    return study


def test_figures_are_those_of_the_numbers_in_the_tables(done, island):
    _, out = done
    rows = figures(out)
    tool = np.round(island.tool["hva"], 1)
    there = np.ones(40, bool)
    there[[3, 7]] = False
    for r, reader in enumerate(island.readers):
        difference = (tool - island.read["hva"][:, r, 0])[there]
        found = figure(rows, measure="hva", statistic="bias", reader=reader, feet="all")
        low, high = stats.t.interval(0.95, 37, difference.mean(), stats.sem(difference))
        assert (float(found["value"]), int(found["n"])) == (pytest.approx(difference.mean()), 38)
        assert (float(found["low"]), float(found["high"])) == (pytest.approx(low), pytest.approx(high))
        upper = figure(rows, measure="hva", statistic="limits of agreement, upper", reader=reader, feet="all")
        z = stats.norm.ppf(0.975)
        assert float(upper["value"]) == pytest.approx(difference.mean() + z * difference.std(ddof=1))
    accepted = there & ~np.isin(np.arange(40), range(20, 26))
    found = figure(rows, measure="hva", statistic="bias", reader="AB", feet="accepted")
    assert float(found["value"]) == pytest.approx((tool - island.read["hva"][:, 0, 0])[accepted].mean())
    assert figure(rows, measure="ima", statistic="bias", reader="AB", feet="all")["n"] == "37"
    for row in rows:  # a figure that is not there says why
        assert row["value"] or row["why"], row
        assert row["source"] or row["why"], row


def test_feet_without_a_number_of_the_tool_are_counted_and_said(done):
    result, out = done
    assert "1 refused by the run, 1 not found by the run: they have no part in the differences" in flat(result)
    with (out / "flow.csv").open(newline="") as stream:
        flow = {(row["what"], row["measure"]): int(row["count"]) for row in csv.DictReader(stream)}
    assert flow["IMA read by somebody", "ima"] == 40
    assert flow["IMA compared", "ima"] == 37
    assert flow["IMA withheld by the run", "ima"] == 1
    assert flow["IMA refused by the run", "ima"] == flow["IMA not found", "ima"] == 1


def test_the_folder_is_its_owners_and_whole(done):
    _, out = done
    listed = json.loads((out / "agreement.json").read_text())["files"]
    there = {str(path.relative_to(out)) for path in out.rglob("*") if path.is_file()}
    assert there == {*listed, "agreement.json"}
    for path in (out, *out.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
    for name in ("plots/hva.png", "plots/hva_feet.csv", "plots/hva_lines.csv", "not_used.csv", "report.pdf"):
        assert name in listed


def test_the_page_fetches_nothing_and_the_paper_is_a4(done):
    _, out = done
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    addresses = set(re.findall(r"""(?:src|href)=["']([^"'#][^"']*)""", page))
    assert all(one.startswith("data:") for one in addresses), addresses
    assert "<script" not in page
    identifiers = re.findall(r'\bid="([^"]+)"', page)
    assert len(identifiers) == len(set(identifiers))
    for said in ("not a medical device", "no proof of truth", "GRRAS", "CLAIM", "from memory, not verified", "SHA-256"):
        assert said in page
    paper = (out / "report.pdf").read_bytes()
    assert paper.startswith(b"%PDF-")
    boxes = {tuple(map(float, box.split())) for box in re.findall(rb"/MediaBox \[ ([^\]]*) \]", paper)}
    ((*_, width, height),) = boxes
    assert (width, height) == (pytest.approx(210 / 25.4 * 72, abs=0.1), pytest.approx(297 / 25.4 * 72, abs=0.1))


def test_columns_are_shown_before_use(done):
    result, _ = done
    assert "a row is a number; film, foot, reader, session, measure, value" in flat(result)


def test_a_slip_stops_with_status_2_and_writes_nothing(study, island):
    run, reads, out = study
    left = np.array([side == "L" for _, side in island.feet])
    island.read["hva"][left, 1] *= -1
    island.tidy(reads)
    result = call(run, reads, "--out", out)
    assert result.exit_code == 2
    assert "reader CD signs HVA of left feet the other way" in flat(result)
    assert "--go-on" in flat(result)
    assert not out.exists()
    gone_on = call(run, reads, "--out", out, "--go-on")
    assert gone_on.exit_code == 0, gone_on.output
    assert "told to go on" in flat(gone_on)
    assert "signs HVA of left feet the other way" in (out / "report.html").read_text(encoding="utf-8")


def test_a_cell_that_cannot_be_used_stops_and_is_listed(study):
    run, reads, out = study
    text = reads.read_text().splitlines()
    text[4] = ",".join([*text[4].split(",")[:-1], "thirty"])
    text.append("elsewhere/unknown.dcm,L,AB,1,hva,20.0")
    reads.write_text("\n".join(text))
    result = call(run, reads, "--out", out)
    assert (result.exit_code, "line 5: column value: 'thirty' is not a number" in flat(result)) == (2, True)
    assert call(run, reads, "--out", out, "--go-on").exit_code == 0
    with (out / "not_used.csv").open(newline="") as stream:
        rows = {int(row["line"]): row for row in csv.DictReader(stream)}
    assert set(rows) == {5, len(text)}
    assert (rows[5]["slip"], rows[len(text)]["slip"]) == ("yes", "no")
    assert rows[len(text)]["reason"] == "no film of the run has this name"


def test_overwrite_replaces_only_what_it_wrote(compared_study):
    run, reads, out = compared_study
    (out / "notes.txt").write_text("mine")
    again = call(run, reads, "--out", out)
    assert (again.exit_code, "holds an earlier agreement" in flat(again)) == (2, True)
    one = [line for line in reads.read_text().splitlines() if ",ima," not in line]
    reads.write_text("\n".join(one))
    assert call(run, reads, "--out", out, "--overwrite").exit_code == 0
    assert (out / "notes.txt").read_text() == "mine"
    assert not (out / "plots" / "ima.png").exists()
    (out / "agreement.json").unlink()
    foreign = call(run, reads, "--out", out, "--overwrite")
    assert (foreign.exit_code, "which no agreement wrote" in flat(foreign)) == (2, True)


def test_a_list_that_leads_out_of_the_folder_removes_nothing(compared_study, tmp_path):
    run, reads, out = compared_study
    (tmp_path / "mine.txt").write_text("mine")
    about = json.loads((out / "agreement.json").read_text())
    about["files"] |= {"../mine.txt": "0", str(tmp_path / "mine.txt"): "0"}
    (out / "agreement.json").write_text(json.dumps(about))
    assert call(run, reads, "--out", out, "--overwrite").exit_code == 0
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_a_run_that_was_changed_is_refused(study):
    run, reads, out = study
    text = (run / "feet.csv").read_text()
    (run / "feet.csv").write_text(text.replace("accepted", "accepted", 1) + "\n")
    result = call(run, reads, "--out", out)
    assert (result.exit_code, "was changed after the run" in flat(result)) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--margin", "hva"), "expected is MEASURE=VALUE"),
        (("--margin", "hva=-1"), "no positive number"),
        (("--margin", "hav=1"), "did you mean hva?"),
        (("--margin", "dmaa=1"), "nobody read dmaa, which an option names"),
        (("--grades", "nobody"), "no scheme 'nobody'"),
        (("--column", "film=Bild"), "there is no column Bild"),
        (("--sheet", "One"), "is no workbook"),
        (("--study", "One"), "there is no column study"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(study, arguments, said):
    run, reads, out = study
    result = call(run, reads, "--out", out, *arguments)
    assert (result.exit_code, said in flat(result)) == (2, True), result.output
    assert not out.exists()


def test_a_margin_gives_a_verdict_and_none_gives_none(study):
    run, reads, out = study
    assert call(run, reads, "--out", out, "--margin", "hva=3").exit_code == 0
    rows = figures(out)
    index = "individual equivalence index (squared unit)"
    assert "by the margin stated beforehand (3, squared 9)" in figure(rows, measure="hva", statistic=index)["why"]
    assert "no margin was stated beforehand: no verdict" in figure(rows, measure="ima", statistic=index)["why"]


@pytest.mark.parametrize("films", [1, 2, 8])
def test_a_small_study_says_so_at_its_figures(tmp_path, make_island, write_run, films):
    island = make_island(films=films)
    run = write_run(tmp_path / "run", island)
    result = call(run, island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert f"This study holds {films} films. With fewer than 20 films each film moves every figure" in flat(result)
    for row in figures(tmp_path / "out"):
        assert row["why"], row
        if films < 3:
            assert (row["value"], row["low"]) == ("", ""), row


def test_constant_values_give_no_spread_and_say_why(tmp_path, make_island, write_run):
    island = make_island()
    island.read["hva"][:] = 20.0
    island.tool["hva"][:] = 21.0
    run = write_run(tmp_path / "run", island)
    result = call(run, island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    rows = figures(tmp_path / "out")
    bias = figure(rows, measure="hva", statistic="bias", reader="AB", feet="all")
    assert (bias["value"], bias["low"]) == ("1.0", "")
    assert "all differences are equal" in bias["why"]
    for statistic in ("limits of agreement, upper", "ICC(2,1)", "concordance correlation", "Deming slope"):
        row = figure(rows, measure="hva", statistic=statistic, reader="AB", feet="all")
        assert (row["value"], bool(row["why"])) == ("", True)


def test_readers_among_themselves(tmp_path, make_island):
    island = make_island(readers=("AB", "CD", "EF"))
    result = call(island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    rows = figures(tmp_path / "out")
    assert {row["reader"] for row in rows} >= {"AB and CD", "AB and EF", "CD and EF", "all readers", "AB again"}
    assert not any("tool" in row["reader"] for row in rows)
    again = figure(rows, measure="hva", statistic="within-subject standard deviation", reader="AB again")
    reads = island.read["hva"][:, 0]
    assert float(again["value"]) == pytest.approx(np.sqrt(np.mean((reads[:, 0] - reads[:, 1]) ** 2) / 2))
    reported = [row for row in rows if row["why"].startswith("the one to report")]
    assert {(row["measure"], row["statistic"]) for row in reported} == {("hva", "ICC(2,1)"), ("ima", "ICC(2,1)")}


def test_one_reader_alone_has_nothing_to_be_compared_with(tmp_path, make_island):
    island = make_island(readers=("AB",), sessions=1)
    result = call(island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert (result.exit_code, "there is nothing to compare with" in flat(result)) == (2, True)
    assert not (tmp_path / "out").exists()


def test_one_reader_is_compared_with_their_own_reads_again(tmp_path, make_island):
    island = make_island(readers=("AB",))
    result = call(island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert {row["reader"] for row in figures(tmp_path / "out")} == {"AB again"}


def test_the_same_from_a_notebook(study):
    run, reads, out = study
    found = agreement(run, [reads])
    table = found.figures
    assert table.num_rows > 100
    assert table.column_names[:5] == ["measure", "statistic", "reader", "feet", "value"]
    assert found.reads.num_rows == 40 * 2 * 2 * 2
    assert found.not_used.num_rows == 0
    found.write(out)
    assert len(figures(out)) == table.num_rows
    text = reads.read_text().replace(",L,", ",X,", 1)
    reads.write_text(text)
    with pytest.raises(AgreementStoppedError, match="line 2: column foot: 'X' is no side of a foot"):
        agreement(run, [reads])


def test_both_feet_of_a_person_are_not_two_persons(tmp_path, make_island, write_run):
    """With both feet of thirty persons the interval is one over persons, not over feet."""
    island = make_island(films=30, both_feet=True)
    reads = island.tidy(tmp_path / "reads.csv")
    assert call(write_run(tmp_path / "run", island), reads, "--out", tmp_path / "out").exit_code == 0
    row = figure(figures(tmp_path / "out"), measure="hva", statistic="bias", reader="AB", feet="all")
    assert "over persons" in row["method"]


def test_names_that_a_page_or_a_spreadsheet_would_run_stay_text(tmp_path, make_island, write_run):
    island = make_island(readers=("=1+1", "<b>CD</b>"))
    run = write_run(tmp_path / "run", island)
    result = call(run, island.tidy(tmp_path / "reads.csv"), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "<b>CD</b>" not in page
    assert "&lt;b&gt;CD&lt;/b&gt;" in page
    assert {row["reader"] for row in figures(tmp_path / "out")} & {"'=1+1"}


def test_a_folder_that_may_not_be_written_is_refused_before_any_work(study, tmp_path):
    run, reads, _ = study
    (tmp_path / "file").write_text("")
    result = call(run, reads, "--out", tmp_path / "file" / "out")
    assert (result.exit_code, "cannot be written" in flat(result)) == (2, True)
    assert os.path.getsize(tmp_path / "file") == 0


def test_processes_change_no_figure(study):
    """A large study is shared among processes; the same figures come out."""
    run, reads, _ = study
    alone, shared = (
        compared.agreement_of(run, [reads], compared.AgreementOptions(processes=processes, shared_from=0))
        for processes in (1, 2)
    )
    assert alone.figures["why"].equals(shared.figures["why"])
    for name in ("value", "low", "high"):
        np.testing.assert_array_equal(alone.figures[name].to_numpy(), shared.figures[name].to_numpy())


def test_the_calibration_of_a_study_is_a_section_that_decisions_take(study, island, tmp_path):
    """Split conformal prediction by hand: the 90 % order statistic of error against half width, one vote a film."""
    run, reads, out = study
    about = json.loads((run / "run.json").read_text())
    about["digests"]["configs"]["decision.yaml"] = hashlib.sha256(shipped("decision.yaml").read_bytes()).hexdigest()
    (run / "run.json").write_text(json.dumps(about))
    assert call(run, reads, "--out", out).exit_code == 0
    section = yaml.safe_load((out / "calibration.yaml").read_text(encoding="utf-8"))
    tool = np.round(island.tool["hva"], 1)
    there = np.ones(40, bool)
    there[[3, 7]] = False
    ratio = np.sort((np.abs(tool - island.read["hva"].mean(axis=(1, 2))) / 2.0)[there])
    factor = ratio[int(np.ceil(0.9 * 39)) - 1] * decision_settings().interval.inflation["hva"]
    assert section["inflation"]["hva"] == pytest.approx(factor, abs=0.0011)
    assert section["calibrated"]["feet"] == {"hva": 38, "ima": 37}
    # As it would stand in decision.yaml.
    shipped_text = yaml.safe_load(shipped("decision.yaml").read_text(encoding="utf-8"))
    shipped_text["interval"] |= section
    (tmp_path / "decision.yaml").write_text(yaml.safe_dump(shipped_text))
    taken = load(DecisionLimits, tmp_path / "decision.yaml").interval
    assert taken.inflation == section["inflation"]
    assert taken.calibrated.source == "films read by people"
