"""``closewatch setups``: the list of setups, or one of them explained, with an example from the demo feed."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.door.setup_trial import example_fit
from scanner.commands import output
from scanner.commands.ready import compile_once
from scanner.commands.recorded.chart import format_of
from scanner.commands.trouble import UsageError
from scanner.configuration.mistakes import did_you_mean
from scanner.configuration.model import settings
from scanner.configuration.model.wrong_setups import try_own_setups
from scanner.market.bars import Bars
from scanner.present.chart.chart import chart_for
from scanner.present.reports.setups_report import Listed, explained, listing, value
from scanner.replays.recordings import Reading, recordings
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.wording.cautions import SHORT
from scanner.wording.times import bar_time, parse_time
from scanner.wording.words import named

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.configuration.model.settings import Settings
    from scanner.event_data import SetupData
    from scanner.present.chart.chart import Format

WIDTH = 100
"""Width of a line, in columns, without a terminal."""


def run(name: str | None, config: Path | None, out: Path | None) -> None:
    """List all setups, or explain one, as a configuration has them."""
    if name is None and out is not None:
        raise UsageError("--out is for the picture of one setup; give its name: closewatch setups NAME --out PICTURE")
    kind, rulebooks = format_of(out), _rulebooks(config)
    listed = listed_in(rulebooks)
    if name is None:
        output.say(*listing(listed.values(), output.width() or WIDTH), "", SHORT)
        return
    if name not in listed:
        raise UsageError(f'there is no setup "{name}"{did_you_mean(name, listed)}')
    found = listed[name]
    chosen, rules = Chosen(found.setup, found.numbers), next(iter(rulebooks.values())).rules
    rulebook = Rulebook(rules, (chosen,))
    compile_once([rulebook])
    output.say(*explained(found, example_fit(chosen, rules), output.width() or WIDTH), "")
    output.say(_drawn(rulebook, out or Path(f"{name}.png"), kind), "", SHORT)


def _rulebooks(config: Path | None) -> dict[str, Rulebook]:
    if config is None:
        return {"": Rulebook()}
    said = settings.load(config)
    try_own_setups(said)
    return rulebooks_of(said)


def rulebooks_of(said: Settings) -> dict[str, Rulebook]:
    """Give the rulebook of each instrument of a configuration; a single one if it has none."""
    return {name: said.rulebook_of(name) for name in said.instruments or [""]}


def listed_in(rulebooks: Mapping[str, Rulebook]) -> dict[str, Listed]:
    """Give all setups there are by name, as these rulebooks see them."""
    setups = known() | {each.setup.name: each.setup for book in rulebooks.values() for each in book.setups}
    return {each: _listed(Chosen(setup, setup.numbers()), rulebooks) for each, setup in sorted(setups.items())}


def _listed(default: Chosen, rulebooks: Mapping[str, Rulebook]) -> Listed:
    numbers = {
        name: each.numbers
        for name, book in rulebooks.items()
        for each in book.setups
        if each.setup.name == default.setup.name
    }
    here = {}
    for name, usual in default.numbers:
        who: dict[str, list[str]] = {}
        for instrument, own in numbers.items():
            who.setdefault(value(getattr(own, name)), []).append(instrument)
        if set(who) - {value(usual)}:
            here[name] = " or ".join(f"{each} for {named(names)}" for each, names in who.items())
            here[name] = next(iter(who)) if len(who) == 1 else here[name]
    watched = "off" if not numbers else "on" if len(numbers) == len(rulebooks) else f"for {named(list(numbers))}"
    return Listed(default.setup, next(iter(numbers.values()), default.numbers), watched, here)


def _drawn(rulebook: Rulebook, path: Path, kind: Format) -> str:
    found = example(rulebook, kind)
    if found is None:
        return "The demo feed contains no such setup, so none was drawn."
    data, drawn = found
    output.write_whole(path, drawn)
    when = bar_time(parse_time(data["bar_open"]), parse_time(data["bar_close"]), "UTC", data["timeframe"])
    which = f"{data['instrument']} {data['timeframe']} {data['direction']}, {when} UTC"
    return f"The first one in the invented demo feed ({which}) is drawn into {path}"


def example(rulebook: Rulebook, kind: Format) -> tuple[SetupData, bytes] | None:
    """Draw the first setup of a rulebook in the demo feed; None if it contains none."""
    with as_file(files("demo_feed")) as folder:
        exchange = settings.load(folder / "instruments.toml")
        paths: Sequence[Path] = [folder / f"{name}.parquet" for name in exchange.instruments]
        for recording in recordings([path for path in paths if path.exists()], Reading()):
            of = exchange.of(recording.symbol)
            pipeline = replace(of, timeframes=(of.base,), rulebook=rulebook).inputs(Account()).pipeline()
            bars = Bars.joined([pipeline.check(raw).bars for raw in recording.bars])
            event = next((each for each in pipeline.events(bars) if each.facts.begins), None)
            if event is not None:
                return event.data, chart_for(bars, event, rulebook.rules, "UTC", kind)
    return None
