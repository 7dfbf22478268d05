"""The command line: what is declared stands, nothing heavy is imported before it is called, documented calls exist."""

import ast
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from raysplay.configs.load import CONFIG_DIR
from raysplay.infer import cli as infer_cli
from raysplay.synthetic_data import cli as synthetic_data_cli
from raysplay.train import cli as train_cli

ROOT = Path(__file__).parents[1]
FOLDERS = ("configs", "measure", "infer", "synthetic_data", "train")
FLOORS = {"infer": infer_cli, "synthetic_data": synthetic_data_cli, "train": train_cli}
DECLARED = [(floor, one) for floor, module in FLOORS.items() for one in module.COMMANDS]
HEAVY = {
    *("torch", "torchvision", "pydicom", "pyarrow", "fastapi", "uvicorn", "sqlalchemy"),
    *("scipy", "skimage", "matplotlib", "xlsxwriter", "albumentations"),
}
"""Libraries that take long to import, or that a call which reads no film has no use for."""
DOCUMENTS = sorted(
    str(path.relative_to(ROOT)) for top in ("", *FOLDERS) for path in (ROOT / top).glob("**/*.md" if top else "*.md")
)
CALL = re.compile(r"(?:python|-m)\s+(?:-m\s+)?(raysplay(?:\.\w+)+)")


def imported_by(*arguments):
    """Heavy libraries that one call of ``raysplay`` in a process of its own has imported at its end."""
    code = (
        "import sys\n"
        "from raysplay.train.cli import main\n"
        f"sys.argv = ['raysplay', *{list(arguments)!r}]\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert not end.code, end.code\n"
        f"print('imported:', *sorted({HEAVY!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    *said, last = done.stdout.splitlines()
    assert said, "the call said nothing"
    return last.removeprefix("imported:").split()


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        ["measures"],
        ["measures", "--reported"],
        ["measures", "IMA 4-5"],
        *([one.name, "--help"] for _, one in DECLARED),
    ],
    ids=" ".join,
)
def test_what_reads_no_film_imports_nothing_heavy(arguments):
    assert imported_by(*arguments) == []


def test_help_imports_no_subcommand():
    code = (
        "import sys\nfrom raysplay.train.cli import main\nsys.argv = ['raysplay', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print('imported:', *({{one for one in {[one.module for _, one in DECLARED]!r}}} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1].split() == ["imported:"]


@pytest.mark.parametrize(("floor", "command"), DECLARED, ids=[one.name for _, one in DECLARED])
def test_a_subcommand_stands_on_the_floor_that_declares_it(floor, command):
    assert command.module.split(".")[:2] == ["raysplay", floor]
    said = inspect.getdoc(command.load()).split("\n\n")[0]
    assert " ".join(said.split()) == command.help


def test_help_lists_every_subcommand_but_hidden_ones():
    shown = CliRunner().invoke(train_cli.app, ["--help"], env={"COLUMNS": "200"}).output
    for _, command in DECLARED:
        assert (command.help in shown) != command.hidden, command.name
        usage = CliRunner().invoke(train_cli.app, [command.name, "--help"], env={"COLUMNS": "200"})
        assert usage.exit_code == 0
        assert f"Usage: raysplay {command.name} [OPTIONS]" in usage.output


def test_a_command_that_does_not_exist_is_bad_usage():
    done = CliRunner().invoke(train_cli.app, ["mesure"])
    assert done.exit_code == 2
    assert "No such command 'mesure'" in done.output


@pytest.mark.parametrize(
    ("library", "arguments"),
    [
        ("matplotlib", ["evaluate", "--suite", "--n", "1", "--conditions", "clean", "--out", "suite"]),
        ("albumentations", ["train", "train_landmarks.yaml"]),
    ],
)
def test_a_library_that_is_missing_is_said_before_any_work(library, arguments, tmp_path):
    """One line and status 2, and nothing is written: not an hour of films first."""
    code = (
        "import sys\n"
        f"sys.modules[{library!r}] = None\n"
        "from raysplay.train.cli import main\n"
        f"sys.argv = ['raysplay', *{arguments!r}]\n"
        "main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"Error: the library {library} is missing.")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def modules_to_run():
    """Every module of the project that ``python -m`` runs, as it is called."""
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            runs = any(
                isinstance(node, ast.If) and "__main__" in ast.unparse(node.test)
                for node in ast.parse(path.read_text(encoding="utf-8")).body
            )
            if runs:
                yield ".".join(["raysplay", *path.relative_to(ROOT).with_suffix("").parts]).removesuffix(".__main__")


def test_documented_modules_can_be_run():
    texts = {name: (ROOT / name).read_text(encoding="utf-8") for name in DOCUMENTS}
    texts |= {path.name: path.read_text(encoding="utf-8") for path in CONFIG_DIR.glob("*.yaml")}
    named = {(name, module) for name, text in texts.items() for module in CALL.findall(text)}
    assert {name for name, _ in named} >= {
        "DEVELOPERS.md",
        "infer/weights/MODEL_CARD.md",
        "measure/REFERENCE.md",
    }
    known = set(modules_to_run())
    assert {(name, module) for name, module in named if module not in known} == set()


STARTED_BY_A_RUN = {
    "raysplay.infer.accelerator.serving",
    "raysplay.infer.films.worker",
    "raysplay.infer.archive.reader_worker",
    "raysplay.infer.clinic.measuring_process",
}


def test_modules_to_run_are_listed_in_one_place():
    """The table in DEVELOPERS.md; not the processes that read and decode films, which only a run starts."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## Modules to run")[1].split("\n## ")[0]
    listed = re.findall(r"^\| `(raysplay(?:\.\w+)+)", table, flags=re.MULTILINE)
    assert sorted(listed) == sorted(set(modules_to_run()) - STARTED_BY_A_RUN)


def test_commands_named_in_documents_exist():
    """In code marks, in the words ``raysplay NAME``; a name that was changed would leave a reader with bad usage."""
    texts = {name: (ROOT / name).read_text(encoding="utf-8") for name in DOCUMENTS}
    named = {(name, one) for name, text in texts.items() for one in re.findall(r"`raysplay\s+([a-z][\w-]+)", text)}
    assert {one for name, one in named if name == "DEVELOPERS.md"} >= {"mutants", "damage", "finetune-study"}
    assert {(name, one) for name, one in named if one not in train_cli.ALL_COMMANDS} == set()


@pytest.mark.parametrize(
    "path", [*DOCUMENTS, "infer/review/API.md", *sorted(p.name for p in CONFIG_DIR.glob("*.yaml"))]
)
def test_files_named_in_documents_exist(path):
    text = (ROOT / path if "." in path and (ROOT / path).exists() else CONFIG_DIR / path).read_text(encoding="utf-8")
    named = set(
        re.findall(r"\b((?:measure|configs|infer|synthetic_data|train|tests)/[\w/]+\.(?:py|yaml|md|js))\b", text)
    )
    assert {one for one in named if not (ROOT / one).exists()} == set()
