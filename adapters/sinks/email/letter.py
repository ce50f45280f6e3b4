"""An email of alerts: plain text, a page, its charts, and headers by which mail programs sort it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from email.header import Header
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import TYPE_CHECKING

from scanner.events import event_id
from scanner.present.words.words import conversation, newest_first
from scanner.present.words.words_html import html

if TYPE_CHECKING:
    from collections.abc import Sequence
    from email.headerregistry import Address

    from scanner.ports import Message
    from scanner.wording.words import Words

LINE_LENGTH = 76
MOST_CHARTS = 12
"""Most charts in a digest, few enough for every mail server; the other alerts have none."""


def letter(
    messages: Sequence[Message], words: Words, zone: str, sender: Address, recipients: Sequence[Address], now: float
) -> EmailMessage:
    """Write an email from messages put into ``words`` for a reader in a zone; ``now`` is in seconds since 1970.

    The Message-ID (RFC 5322) is made from the event's id, so that an alert sent again is the same email, and later
    events of a setup answer its email. An announcement of a setup refers to the email of the setup to come. Some mail
    programs build a conversation from these headers alone (RFC 5256, REFERENCES), others only if the subject also stays
    the same. So the subject of a story names the setup with its size and room, and the email begins with the news,
    which mail programs show beside it in their lists.
    """
    domain = sender.domain.encode("idna").decode()
    name, thread = _identity(messages)
    mail = EmailMessage(policy=SMTP)
    mail["From"] = sender
    mail["To"] = tuple(recipients)
    story = conversation(messages[0], zone) if len({message.event.thread for message in messages}) == 1 else ""
    if story and words.news:
        words = replace(words, headline=words.news[0].upper() + words.news[1:])
    mail.set_raw("Subject", subject((f"Re: {story}" if thread else story) or words.headline))
    mail["Date"] = format_datetime(datetime.fromtimestamp(now, UTC))
    mail["Message-ID"] = f"<{name}@{domain}>"
    if thread:
        mail["In-Reply-To"] = mail["References"] = f"<{thread}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no vacation notice should answer this
    mail.set_content(words.plain(), cte="quoted-printable")
    charts = _charts(newest_first(messages))
    names = {number: f"chart{number}.{name}@{domain}" for number in charts}
    page = html(words, [f"cid:{names[number]}" if number in names else None for number in range(len(messages))])
    mail.add_alternative(page, subtype="html", cte="quoted-printable")
    (body,) = (part for part in mail.iter_parts() if part.get_content_subtype() == "html")
    for number, picture in charts.items():
        cid, filename = f"<{names[number]}>", f"chart{number + 1}.png"
        body.add_related(picture, "image", "png", cid=cid, filename=filename, disposition="inline")
    return mail


def subject(headline: str) -> str:
    """Write a headline as the lines of a subject, for ``set_raw``.

    Text that is not ASCII, or that already looks encoded, is encoded (RFC 2047). The library's newer way to fold
    headers loses spaces between encoded words (Python 3.11), and mistakes encoded words in a name for its own.
    """
    charset = "us-ascii" if headline.isascii() and "=?" not in headline else "utf-8"
    return Header(headline, charset, maxlinelen=LINE_LENGTH, header_name="Subject").encode(linesep="\r\n")


def _identity(messages: Sequence[Message]) -> tuple[str, str]:
    """Give the id of an email, and that of the email it answers, empty if it answers none."""
    events = [message.event for message in messages]
    name = events[0].id if len(events) == 1 else event_id("digest", *(event.id for event in events))
    threads = {event.data["becomes"] or "" if event.facts.ahead else event.thread for event in events}
    return name, threads.pop() if len(threads) == 1 and name not in threads else ""


def _charts(messages: Sequence[Message]) -> dict[int, bytes]:
    drawn = [(number, message.picture) for number, message in enumerate(messages) if message.picture]
    return dict(drawn[:MOST_CHARTS])
