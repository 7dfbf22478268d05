"""Every answer of every call has the shape that its model says, and the page's types and API.md are the models'.

``checked`` of conftest holds every answer that any test of this folder gets against its model; here is shown that it
sees what it is to see, and that every call is asked at least once.
"""

import httpx
import pytest

from raysplay.infer.review import contract, contract_files

pytestmark = pytest.mark.usefixtures("no_films_ahead")

READ = {"version": 0, "verdict": "cannot_be_measured", "reason": "too blurred"}
BODIES = {
    "/api/reader": {"initials": "AB"},
    "/api/measure": {"id": 1, "compared": None},
    "/api/feet/{number}/reads": READ,
}


def every_call(page):
    """One answer of each call of a review; those of a desk are asked in tests/infer/clinic."""
    for call in contract.calls():
        if call.gives is not None and not call.path.startswith("/api/clinic"):
            body = {"json": BODIES[call.path]} if call.takes else {}
            answer = page.request(call.method, call.path.replace("{number}", "1"), **body)
            assert answer.status_code == 200, (call, answer.text)
            yield call, answer


def test_what_is_made_from_the_models_is_up_to_date():
    made = f"Run {contract_files.COMMAND}"
    assert contract_files.PAGE_TYPES.read_text("utf-8") == contract_files.page_types(), made
    assert contract_files.API.read_text("utf-8") == contract_files.api_document(), made


def test_a_document_without_its_marks_is_left_alone(monkeypatch, tmp_path):
    page = tmp_path / "API.md"
    page.write_text("# Something else\n", encoding="utf-8")
    monkeypatch.setattr(contract_files, "API", page)
    with pytest.raises(ValueError, match=r"API\.md: has no lines"):
        contract_files.api_document()


def test_every_call_answers_as_its_model_says(page):
    asked = [call for call, _ in every_call(page)]
    assert {(call.method, call.path) for call in asked} == {
        (call.method, call.path)
        for call in contract.calls()
        if not call.path.endswith("/pixels") and not call.path.startswith("/api/clinic")
    }
    assert len(asked) == 12


def test_every_call_of_a_blind_study_answers_as_its_model_says(serve, harbour, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: Harbour readers, seed: 3, readers: [AB, CD], repeats: 0}", encoding="utf-8")
    assert len(list(every_call(serve(harbour, study=study).browser("AB")))) == 12


def test_conflicts_and_refusals_have_their_shapes(serve, harbour, checked):
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")
    assert first.post("/api/feet/1/reads", json=READ).status_code == 200
    late = second.post("/api/feet/1/reads", json=READ)
    assert late.status_code == 409
    assert checked(late) == "Overtaken"
    first.post("/api/feet/2/claim")
    taken = second.post("/api/feet/2/claim")
    assert taken.status_code == 409
    assert checked(taken) == "InOtherHands"
    assert checked(first.get("/api/feet/99")) == "Refusal"


def changed(answer, change):
    """The same answer with something changed in its content, as if the server had said so."""
    content = answer.json()
    change(content)
    return httpx.Response(answer.status_code, json=content, request=answer.request)


def places(content, path=()):
    """Every key of every dictionary in an answer."""
    if isinstance(content, dict):
        for key, value in content.items():
            yield (*path, key)
            yield from places(value, (*path, key))
    elif isinstance(content, list) and content:
        yield from places(content[0], (*path, 0))


def at(content, path):
    for part in path:
        content = content[part]
    return content


def test_a_missing_an_extra_and_a_wrong_typed_key_fail(page, checked):
    page.post("/api/feet/1/reads", json={**READ, "version": 0})
    answer = page.get("/api/feet/1")
    assert checked(answer) == "Foot"
    seen = 0
    for path in places(answer.json()):
        *above, key = path
        if set(path) & {"values", "accepted", "withheld", "hands"}:
            continue  # dictionaries by measure, in which any key may be missing
        seen += 1
        with pytest.raises(AssertionError, match="Foot"):
            checked(changed(answer, lambda content, above=above, key=key: at(content, above).pop(key)))
        with pytest.raises(AssertionError, match="Foot"):
            checked(changed(answer, lambda content, above=above, key=key: at(content, above).update({key: {"odd": 1}})))
        with pytest.raises(AssertionError, match="Foot"):
            checked(changed(answer, lambda content, above=above: at(content, above).update(odd=1)))
    assert seen > 60


def test_a_word_that_no_list_has_fails(page, checked):
    answer = page.get("/api/feet/1")
    with pytest.raises(AssertionError, match="Foot"):
        checked(changed(answer, lambda content: content.update(state="settled")))


def test_a_key_of_one_kind_of_review_is_optional_on_the_page():
    (foot,) = [shape for shape in contract.shapes() if shape.name == "Foot"]
    keys = {key.name: key for key in foot.keys}
    assert keys["decision"].optional
    assert keys["decision"].only == "not in a blind study"
    assert not keys["points"].optional
    assert " * @property {Decision} [decision]" in contract_files.page_types()
