"""Tables of reads that name films as their readers know them, for a run under a key for names."""

from __future__ import annotations

from dataclasses import replace

from raysplay.infer.agreement.reads import ReadTables
from raysplay.infer.film_names import FilmNames
from raysplay.infer.named_films import NamedFilms


def under_identifiers(tables: ReadTables, films: NamedFilms) -> ReadTables:
    """The tables with an identifier in place of every name of a film, so that no report holds one.

    A name that no film has, or several could have, gets an identifier that the run does not know.
    """
    names = FilmNames(films.paths, films.names)
    given = {read.film for read in tables.reads} | {row.film for row in tables.unused} | tables.facts.keys()
    given |= {fact.repeat_of for fact in tables.facts.values()}
    called = {name: _called(name, names, films) for name in given}
    return replace(
        tables,
        reads=tuple(replace(read, film=called[read.film]) for read in tables.reads),
        unused=tuple(replace(row, film=called[row.film]) for row in tables.unused),
        facts={called[film]: replace(fact, repeat_of=called[fact.repeat_of]) for film, fact in tables.facts.items()},
    )


def _called(name: str, names: FilmNames, films: NamedFilms) -> str:
    if not name:
        return ""
    meant = names.meant(name)
    return meant[0] if len(meant) == 1 else films.key.identifier(name)
