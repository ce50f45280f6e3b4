"""The stored study: the results of its setups, and its whole report."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from starlette.responses import FileResponse

from scanner.commands.station.record_notes import told_of_record
from scanner.page.answers import found_or_why, known, now, render
from scanner.page.trouble import NothingHereError
from scanner.present.words.record_words import came_to
from scanner.studies.kept.record import RecordError, beside, read, report_beside

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

REPORT_POLICY = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""The report has its own style and embedded pictures; it runs no script, fetches nothing and has no origin."""


def study(request: Request) -> Response:
    """Show the record, and a link to the report."""
    about = known(request).outline
    record, wrong = found_or_why(partial(read, beside(about.store_path)), RecordError)
    return render(
        request,
        "study.html",
        told=told_of_record(about, now(request)),
        kinds=[] if record is None else [(each, came_to(each, record.looks)) for each in record.kinds],
        has_report=report_beside(about.store_path).is_file(),
        wrong=wrong,
    )


def report(request: Request) -> Response:
    """Give the report as the study wrote it."""
    path = report_beside(known(request).outline.store_path)
    if not path.is_file():
        raise NothingHereError("No report of a study is kept; a study with --keep leaves one beside the store.")
    return FileResponse(path, media_type="text/html", headers={"Content-Security-Policy": REPORT_POLICY})
