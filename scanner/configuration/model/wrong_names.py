"""Names in a configuration that refer to nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.configuration.mistakes import Mistake, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from scanner.configuration.model.document import Document
    from scanner.configuration.model.tables import InstrumentSettings
    from scanner.configuration.toml_files.lines import Keys


def wrong_names(document: Document) -> Iterator[Mistake]:
    """Find names of groups, feeds and sinks that do not exist."""
    described: list[tuple[Keys, InstrumentSettings]] = [
        (("defaults",), document.defaults),
        *((("groups", name), group) for name, group in document.groups.items()),
        *((("instruments", name), instrument) for name, instrument in document.instruments.items()),
    ]
    for path, part in described:
        yield from _unknown((*path, "feed"), "feed", part.feed, document.feeds)
        yield from _unknown((*path, "group"), "group", part.group, document.groups)
    for number, route in enumerate(document.routes):
        for place, sink in enumerate(route.sinks):
            yield from _unknown(("routes", number, "sinks", place), "sink", sink, document.sinks)
        for place, group in enumerate(route.groups):
            yield from _unknown(("routes", number, "groups", place), "group", group, document.groups)
    for table, names in (("quiet", document.quiet), ("ceiling", document.ceiling)):
        for name in names:
            yield from _unknown((table, name), "sink", name, document.sinks)


def _unknown(path: Keys, what: str, name: str | None, known: Mapping[str, object]) -> Iterator[Mistake]:
    if name is not None and name not in known:
        yield Mistake(path, f'there is no {what} "{name}"' + (did_you_mean(name, known) or f"; add [{what}s.{name}]"))
