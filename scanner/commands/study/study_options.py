"""The options of ``closewatch study``; the work is imported when the command runs."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scanner.commands.recorded.reading_options import ConfigFile, Files, reads_files

if TYPE_CHECKING:
    from scanner.replays.recordings import Reading

app = typer.Typer(rich_markup_mode="markdown")


@app.command()
@reads_files("equity", "currency")
def study(
    files: Files,
    reading: Reading,
    out: Annotated[
        Path,
        typer.Option(
            help="Folder for the tables and the progress; run the same command again to resume.", metavar="DIR"
        ),
    ] = Path("study"),
    workers: Annotated[
        int, typer.Option(help="Number of processes; 0 means one for each core.", min=0, metavar="N")
    ] = 0,
    cluster: Annotated[
        str,
        typer.Option(help="Work on an existing Dask cluster instead, by its scheduler's address.", metavar="ADDRESS"),
    ] = "",
    seed: Annotated[int, typer.Option(help="Seed of the random draws.", metavar="N")] = 0,
    register: Annotated[
        str | None,
        typer.Option(
            help="Only record a hypothesis of this name, beside the bars; later studies test it on later bars only.",
            metavar="NAME",
        ),
    ] = None,
    where: Annotated[
        list[str] | None,
        typer.Option(
            help="With --register: which setups it is about, such as direction=long or timeframe=1d; repeat for more. "
            "Default: all.",
            metavar="COLUMN=VALUE",
        ),
    ] = None,
    *,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Save the results of each kind of setup beside the store of --config; alerts then end with them.",
        ),
    ] = False,
    config: ConfigFile = None,
) -> int:
    """Study how setups performed on recorded bars, compared with random bars and with other rules.

    Example: closewatch study bars/ --config watch.toml --out study
    """
    if where and register is None:
        raise typer.BadParameter("--where narrows a hypothesis: give --register NAME too")
    if keep and register is not None:
        raise typer.BadParameter("--register looks at no results, so there is nothing to keep: leave --keep out")
    if keep and config is None:
        raise typer.BadParameter("--keep saves its table beside the store of a configuration: give --config too")
    from scanner.commands.study import register as registering  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.commands.study import study as command  # noqa: PLC0415 - as above
    from scanner.studies.running import How  # noqa: PLC0415 - as above
    from scanner.studies.stories.collecting import Asked  # noqa: PLC0415 - as above

    by = "" if config is None else config.name
    if register is not None:
        registering.run(files, reading, register, where or [], by, time.time_ns())
        return 0
    how = How(out, workers, cluster)
    return command.run(files, reading, Asked(seed=seed), how, by, time.time_ns(), keep=keep)
