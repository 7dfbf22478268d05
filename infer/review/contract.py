"""What page and server agree on, gathered from the calls and the models: every call, and every shape that it names.

The models are those of :mod:`raysplay.infer.review.answers` and :mod:`raysplay.infer.review.requests`, and of the same
modules of :mod:`raysplay.infer.clinic`; which call takes and gives which follows from the modules ``calls`` there.
"""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, NotRequired, Union, get_args, get_origin, get_type_hints

from fastapi.responses import Response
from fastapi.routing import APIRoute
from pydantic import BaseModel
from typing_extensions import is_typeddict

from raysplay.infer.clinic import answers as clinic_answers
from raysplay.infer.clinic import requests as clinic_requests
from raysplay.infer.clinic.calls import router as clinic_router
from raysplay.infer.review import answers, requests
from raysplay.infer.review.calls import router

_ONE_REVIEW = re.compile("^(Open|Blind)(?=[A-Z])")
"""Names of models that one kind of review alone has."""

_REFUSALS = ("Refusal", "Overtaken", "InOtherHands")


@dataclass(frozen=True)
class Call:
    """A call: what it does, the model of its body, and the type of its answer; ``gives`` is None for bytes."""

    method: str
    path: str
    says: str
    takes: type[BaseModel] | None
    gives: Any


@dataclass(frozen=True)
class Key:
    """One key of a shape: its type, whether it may be absent, what it means, and which reviews alone have it."""

    name: str
    of: Any
    optional: bool
    says: str
    only: str = ""


@dataclass(frozen=True)
class Shape:
    """A dictionary that page or server sends."""

    name: str
    says: str
    keys: tuple[Key, ...]


@cache
def calls() -> tuple[Call, ...]:
    """Every call of the page, in the order in which they are declared."""
    found = []
    for route in (*router.routes, *clinic_router.routes):
        if isinstance(route, APIRoute) and route.include_in_schema:
            hints = get_type_hints(route.endpoint)
            takes = next((one for one in hints.values() if _is_model(one)), None)
            gives = None if hints["return"] is Response else hints["return"]
            (method,) = route.methods or {"GET"}
            says = (inspect.getdoc(route.endpoint) or "").partition("\n\n")[0]
            found.append(Call(method, route.path, says, takes, gives))
    return tuple(found)


def shapes() -> list[Shape]:
    """Every shape, in the order in which the calls need them; at the end those of failures.

    A shape that differs between reviews, ``Foot = OpenFoot | BlindFoot``, is one here: a key that only one of them has
    is optional and says so.
    """
    order = [name for call in calls() for of in (call.takes, call.gives) for name in _reached(of)]
    order += [name for first in (*_REFUSALS, *_answered()) for name in _reached(_answered()[first])]
    return [_shape(name) for name in dict.fromkeys(order)]


@cache
def words() -> dict[str, Any]:
    """Closed lists of words by their names."""
    named = {**vars(answers), **vars(requests), **vars(clinic_answers), **vars(clinic_requests)}
    return {name: of for name, of in named.items() if get_origin(of) is Literal}


def name_of(of: Any) -> str | None:
    """Name of a shape or of a list of words; None for other types."""
    if get_origin(of) is Literal:
        return next((name for name, one in words().items() if one == of), None)
    return _ONE_REVIEW.sub("", of.__name__) if is_typeddict(of) or _is_model(of) else None


def bare(hint: Any) -> tuple[Any, str, bool]:
    """A type without what stands beside it, the text beside it, and whether its key may be absent."""
    if get_origin(hint) is NotRequired:
        return (*bare(get_args(hint)[0])[:2], True)
    if get_origin(hint) is Annotated:
        of, *beside = get_args(hint)
        return bare(of)[0], next((one for one in beside if isinstance(one, str)), ""), False
    return hint, "", False


def members(of: Any) -> tuple[Any, ...]:
    """The types of a union, or the one type."""
    of = bare(of)[0]
    return get_args(of) if get_origin(of) in (types.UnionType, Union) else (of,)


@cache
def _answered() -> dict[str, Any]:
    """Shapes of answers by name; those of one kind of review, and parts of shapes, stand within others."""
    own = {name: getattr(answers, name) for name in answers.__all__ if name not in answers.PARTS}
    own |= {name: getattr(clinic_answers, name) for name in clinic_answers.__all__}
    shaped = {name: of for name, of in own.items() if all(is_typeddict(one) for one in members(of))}
    return {name: of for name, of in shaped.items() if not _ONE_REVIEW.match(name)}


@cache
def _sent() -> dict[str, type[BaseModel]]:
    own = {
        name: of
        for module in (requests, clinic_requests)
        for name, of in vars(module).items()
        if _is_model(of) and of.__module__ == module.__name__
    }
    return {name: of for name, of in own.items() if not name.startswith("_")}


def _is_model(of: Any) -> bool:
    return inspect.isclass(of) and issubclass(of, BaseModel)


def _reached(of: Any) -> Iterator[str]:
    """Names of the shapes that a type holds, with all that they hold."""
    of = bare(of)[0]
    name = name_of(members(of)[0])
    if name in words():
        return
    if name is None:
        for one in get_args(of):
            yield from _reached(one)
        return
    yield name
    for key in _shape(name).keys:
        yield from _reached(key.of)


@cache
def _shape(name: str) -> Shape:
    if name in _sent():
        return _of_request(_sent()[name])
    of = _answered()[name]
    hints = {one: get_type_hints(one, include_extras=True) for one in members(of)}
    keys = []
    for key in dict.fromkeys(key for one in hints.values() for key in one):
        having = [one for one in hints if key in hints[one]]
        _, says, optional = bare(hints[having[0]][key])
        of_all: Any = Union[tuple(bare(hints[one][key])[0] for one in having)]  # noqa: UP007  made of values
        only = "" if len(having) == len(hints) else _only(having[0])
        keys.append(Key(key, of_all, optional or bool(only), says, only))
    return Shape(name, _docs(of) if is_typeddict(of) else bare(of)[1], tuple(keys))


def _only(of: Any) -> str:
    return "not in a blind study" if of.__name__.startswith("Open") else "in a blind study alone"


def _of_request(model: type[BaseModel]) -> Shape:
    hints = {name: bare(hint) for name, hint in get_type_hints(model, include_extras=True).items()}
    keys = [
        Key(name, hints[name][0], not field.is_required(), hints[name][1]) for name, field in model.model_fields.items()
    ]
    return Shape(model.__name__, _docs(model), tuple(keys))


def _docs(of: Any) -> str:
    return " ".join((inspect.getdoc(of) or "").replace("``", "`").split())
