"""All that the desk says to a person stands in the message files: texts of its page, and sentences of its server."""

import ast
import importlib.util
import re
from pathlib import Path
from typing import get_args

import pytest

import raysplay.infer.clinic
from raysplay.infer.clinic.requests import Language
from raysplay.infer.review.server import PAGE
from raysplay.infer.visit.language import language, languages

HERE = Path(__file__).parent
_spec = importlib.util.spec_from_file_location("page_source", HERE / "page_source.py")
page_source = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(page_source)

ENGLISH = language("en")
KEYS = {*ENGLISH.messages, *ENGLISH.page}
HTML = (PAGE / "desk.html").read_text(encoding="utf-8")
MODULES = page_source.modules(PAGE) | page_source.modules(PAGE, "entrance.js")


def test_no_text_of_the_page_stands_outside_the_message_files():
    assert len(MODULES) > 20
    found = {name: told for name, source in MODULES.items() if (told := page_source.spoken_outside(source, KEYS))}
    assert found == {}
    assert page_source.html_outside(HTML) == []


@pytest.mark.parametrize(
    "line",
    [
        'make("p", { textContent: "Nothing was found here." })',
        'make("p", { textContent: done ? "waits" : say("waits") })',
        'make("input", { "aria-label": "Choose" })',
        "make('p', { className: 'hint', textContent: `Film ${number}` })",
        'announce("Saved at once.");',
        'banner("server", contact === "silent" ? "No answer came back" : null);',
        "box.textContent = `${count} waits`;",
        'window.confirm("Leave it?")',
    ],
)
def test_a_new_sentence_in_a_module_would_be_found(line):
    source = MODULES["desk_home.js"].replace("  async open() {", f"  async open() {{\n    {line}", 1)
    assert page_source.spoken_outside(source, KEYS), line
    assert page_source.html_outside("<p>Drop films here</p>") == ["Drop films here"]
    assert page_source.html_outside('<input aria-label="Films">') == ["Films"]


def test_every_key_that_the_page_names_has_a_message_and_every_message_is_named():
    whole, begun = page_source.keys_used(MODULES.values(), HTML)
    named = {key for source in MODULES.values() for key in re.findall(r"""\bsay\("(\w+)\"""", source)}
    assert named | set(re.findall(r"\{(\w+)\}", HTML)) - {"language"} <= KEYS
    own = set(ENGLISH.page)
    plural = {f"{what}_{number}" for what in ("films", "feet", "files", "papers") for number in ("one", "many")}
    server = {"onward", "onward_title"}  # the page behind the one-time address
    unused = {
        key for key in own if key not in whole | plural | server and not any(key.startswith(one) for one in begun)
    }
    assert unused == set()


@pytest.mark.parametrize("name", [one for one in languages() if one != "en"])
def test_messages_of_the_page_have_the_same_places(name):
    other = language(name)
    assert set(other.page) == set(ENGLISH.page)
    for key, text in ENGLISH.page.items():
        assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", other.page[key])), key
        assert text[:1].isspace() == other.page[key][:1].isspace(), key


@pytest.mark.parametrize("name", languages())
def test_no_key_is_listed_twice(name):
    """YAML would take the last of two; the loader refuses a key that stands twice in one list."""
    assert not set(language(name).messages) & set(language(name).page)


def test_every_language_can_be_asked_for():
    assert set(get_args(Language)) == set(languages())


def test_cautions_are_complete_in_every_language():
    for name in languages():
        words = language(name)
        cautions = [words.page["page_caution"], words.page["not_a_device"], words.messages["device"]]
        cautions += [words.messages[f"caution_{number}"] for number in range(1, 8)]
        assert all(len(one) > 15 for one in cautions)
        if name != "en":
            english = [ENGLISH.page["page_caution"], ENGLISH.page["not_a_device"], ENGLISH.messages["device"]]
            assert not set(cautions) & {*english, *(ENGLISH.messages[f"caution_{number}"] for number in range(1, 8))}


_TOLD = {"RefusedError", "UnknownFootError", "IntakeError", "TooLargeError", "DiskFullError", "RecordsError"}
_TOLD |= {"HowFar", "Taken", "PlainTextResponse", "DeskFolderError"}


def template(node):
    """A text or an f-string, with ``{0}`` and so on for what differs; None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        places = iter(range(99))
        return "".join(one.value if isinstance(one, ast.Constant) else f"VALUE{next(places)}" for one in node.values)
    return None


def sentences(path):
    """What a module of the desk hands to a person: arguments of its errors, and what ``trouble`` is set to."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in _TOLD:
            given = [*node.args, *(one.value for one in node.keywords if one.arg in ("why", "error"))]
        elif isinstance(node, ast.Call) and any(one.arg == "error" for one in node.keywords):
            given = [one.value for one in node.keywords if one.arg == "error"]
        elif isinstance(node, ast.Assign) and getattr(node.targets[0], "attr", "") == "trouble":
            given = [node.value]
        else:
            continue
        for one in given:
            for inner in ast.walk(one):
                text = template(inner)
                if text and " " in text and not text.startswith(" "):
                    yield text
                    break


def test_sentences_of_the_desk_s_server_are_known_in_german():
    german = language("de")
    folder = Path(raysplay.infer.clinic.__file__).parent
    said = {text for path in folder.glob("*.py") for text in sentences(path)}
    assert len(said) > 20
    assert {text for text in said if german.phrase(text) == text} == set()
