"""What README and guides say stands: links lead somewhere, calls and options exist, tables name what the code names."""

import re
import shlex
from pathlib import Path

import pytest
import typer.main

from raysplay.infer.outputs.run_files import ABOUT, TABLES
from raysplay.infer.reason import ReasonKind
from raysplay.train.cli import ALL_COMMANDS, app

ROOT = Path(__file__).parents[1]
FOLDERS = ("configs", "measure", "infer", "synthetic_data", "train")
PAGES = sorted([*ROOT.glob("*.md"), *(page for folder in FOLDERS for page in (ROOT / folder).rglob("*.md"))])
NAMES = [str(page.relative_to(ROOT)) for page in PAGES]
LINK = re.compile(r"\]\(([^)#\s]*)(?:#([^)\s]*))?\)")
FIGURES = re.compile(r"<!-- figures:begin -->(.*?)<!-- figures:end -->", flags=re.DOTALL)


def read(name):
    return (ROOT / name).read_text(encoding="utf-8")


def anchors(text):
    """Of the headings, as GitHub makes them (common practice, no source), and those set by hand."""
    return set(re.findall(r'<a (?:id|name)="([^"]+)"', text)) | {
        re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, flags=re.MULTILINE)
    }


@pytest.mark.parametrize("name", NAMES)
def test_links_lead_somewhere(name):
    for target, anchor in LINK.findall(read(name)):
        if target.startswith(("http://", "https://")):
            continue
        page = ROOT / name if not target else (ROOT / name).parent / target
        assert page.exists(), target
        if anchor:
            assert anchor in anchors(page.read_text(encoding="utf-8")), f"{target}#{anchor}"


def test_the_readme_is_short_and_leads_to_every_guide():
    text = read("README.md")
    assert len(text.splitlines()) <= 160
    linked = {target for target, _ in LINK.findall(text)}
    assert {name for name in NAMES if name.endswith("GUIDE.md")} <= linked


def options_of(name):
    """Names of all options of one subcommand."""
    group = typer.main.get_command(app)
    context = group.make_context("raysplay", [], resilient_parsing=True)
    _, command, _ = group.resolve_command(context, [name])
    return {one for parameter in command.params for one in (*parameter.opts, *parameter.secondary_opts)}


def calls(text):
    """Every call of ``raysplay`` in the blocks of a page, in words."""
    for block in re.findall(r"^```(?:sh)?\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            if re.match(r"(?:\.venv/bin/)?raysplay\s", line):
                yield shlex.split(line, comments=True)[1:]
    for inline in re.findall(r"`(raysplay [^`]+)`", text):
        words = inline.split()[1:]
        if words and re.fullmatch(r"[a-z-]+", words[0]):
            yield words


@pytest.mark.parametrize("name", NAMES)
def test_calls_are_of_commands_and_options_that_exist(name):
    for command, *words in calls(read(name)):
        if command in ("COMMAND", "--help"):
            continue
        assert command in ALL_COMMANDS, command
        used = {word.split("=")[0] for word in words if word.startswith("--")}
        assert used - {"--help"} <= options_of(command), f"{command} {sorted(used)}"


def test_every_command_has_its_place_in_a_guide():
    told = {command for name in NAMES for command, *_ in calls(read(name))}
    assert {name for name, command in ALL_COMMANDS.items() if not command.hidden} <= told


def test_the_table_of_reasons_names_each_kind_that_there_is():
    text = read("infer/decide/GUIDE.md")
    table = re.findall(r"^\| (`.*?) \|", text, flags=re.MULTILINE)
    named = {code for row in table for code in re.findall(r"`(\w+)`", row)} - {"reason_kinds"}
    assert named == {kind.value for kind in ReasonKind}


def test_the_table_of_a_run_names_each_file():
    text = read("infer/GUIDE.md")
    for name in (*TABLES, ABOUT):
        assert f"| `{name}` |" in text, name


@pytest.mark.parametrize("name", ["README.md", *(name for name in NAMES if name.endswith("infer/GUIDE.md"))])
def test_cautions_stand_before_the_first_call(name):
    before = " ".join(read(name).split("```")[0].replace("> ", "").split())
    for words in ("not a medical device", "A person confirms every number", "does not mean confirmed"):
        assert words in before


def test_figures_of_the_readme_are_those_of_the_page_of_figures():
    (short,), (whole,) = (FIGURES.findall(read(name)) for name in ("README.md", "infer/weights/FIGURES.md"))
    numbers = set(re.findall(r"\d+\.\d+|\d+(?= %)", short))
    assert len(numbers) > 10
    assert numbers <= set(re.findall(r"\d+\.\d+|\d+(?= %)", whole))
