"""What is wrong with the rules and setups of a configuration."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from scanner.analysis.door.known_setups import SetupError, is_announced_ahead, is_true, setup_named
from scanner.analysis.door.setup import FORMING, KEYS, OBJECT, ON
from scanner.analysis.door.setup_trial import wrong_ways
from scanner.analysis.rules import Rules
from scanner.configuration.mistakes import Mistake, explain
from scanner.configuration.model.tables import GroupSettings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from scanner.configuration.model.document import Document

    Setups = Mapping[str, Mapping[str, Any]]

BARS_TO_AVERAGE_ENTRY = 2


def wrong_rules(document: Document) -> Iterator[Mistake]:
    """Find what is wrong with the rules of groups, with setups, and with the wait for an entry."""
    styles = {document.rules.entry_style}
    for name, group in document.groups.items():
        try:
            styles.add(Rules.model_validate(document.rules.model_dump(exclude_unset=True) | group.rules).entry_style)
        except ValidationError as problem:
            for error in problem.errors():
                yield Mistake(("groups", name, "rules", *error["loc"]), explain(error, Rules))
    if "average" in styles and document.follow.max_wait < BARS_TO_AVERAGE_ENTRY:
        text = f"must be at least {BARS_TO_AVERAGE_ENTRY} for the average entry: one bar closes beyond the average, "
        yield Mistake(("follow", "max_wait"), f"{text}and the next is entered at its open")
    for path, tables in _tables_of_setups(document):
        yield from _wrong_setups(path, tables, document.folder)


def _tables_of_setups(document: Document) -> Iterator[tuple[tuple[str, ...], Sequence[Setups]]]:
    """Give each table of setups by its path, after the tables that it extends."""
    common = [document.setups, document.defaults.setups]
    yield ("setups",), common[:1]
    yield ("defaults", "setups"), common
    for name, group in document.groups.items():
        yield ("groups", name, "setups"), [*common, group.setups]
    for name, own in document.instruments.items():
        of_group = document.groups.get(own.group or "", GroupSettings()).setups
        yield ("instruments", name, "setups"), [*common, of_group, own.setups]


def wrong_own_setups(document: Document) -> Iterator[Mistake]:
    """Try the user's own watched setups, each with all its settings, and find what is wrong with them.

    There must be no ``wrong_rules``.
    """
    where: dict[str, tuple[str, ...]] = {}
    for path, tables in _tables_of_setups(document):
        for name, table in tables[-1].items():
            if OBJECT in table:
                where.setdefault(name, (*path, name))
    rulebooks = [document.rulebook_of(name) for name in ("", *document.instruments)] if where else []
    tried = {(each, book.rules) for book in rulebooks for each in book.setups if each.setup.name in where}
    for each, rules in sorted(tried, key=lambda pair: pair[0].setup.name):
        for text in wrong_ways(each, rules):
            yield Mistake(where[each.setup.name], text)


def try_own_setups(document: Document) -> None:
    """Try the user's own setups; SetupError with the first thing that is wrong."""
    mistake = next(wrong_own_setups(document), None)
    if mistake is not None:
        raise SetupError(mistake.sentence)


def _wrong_setups(path: tuple[str, ...], tables: Sequence[Setups], folder: Path) -> Iterator[Mistake]:
    """Find what is wrong in the last of some tables of setups, which extends those before it."""
    for name, table in tables[-1].items():
        merged = {key: value for each in tables for key, value in each.get(name, {}).items()}
        try:
            setup = setup_named(name, merged, folder)
        except SetupError as problem:
            yield Mistake((*path, name, OBJECT) if OBJECT in table else (*path, name), str(problem))
            continue
        for key, read in ((ON, is_true), (FORMING, partial(is_announced_ahead, setup))):
            try:
                read(table.get(key, False))
            except ValueError as problem:
                yield Mistake((*path, name, key), str(problem))
        try:
            setup.numbers.model_validate({key: value for key, value in merged.items() if key not in KEYS})
        except ValidationError as problem:
            for error in problem.errors():
                if not error["loc"] or error["loc"][0] in table:
                    yield Mistake((*path, name, *error["loc"]), explain(error, setup.numbers))
