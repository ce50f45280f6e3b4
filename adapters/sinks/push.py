"""The sink ``push``: alerts to the user's phone, through any service that the library apprise supports."""

from __future__ import annotations

import asyncio
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from pydantic import Field, SecretStr

from adapters.sinks.receivers import Receivers
from adapters.sinks.settings import ReaderSettings
from scanner.ports import DeliveryError, PartlyDeliveredError
from scanner.present.words.words import newest_first, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.ports import Message

MOST_CHARTS = 4


class PushSettings(ReaderSettings):
    """Where the alerts go, and how long that may take."""

    urls: tuple[SecretStr, ...] = Field(
        min_length=1, description="addresses of services in the form of apprise; they contain passwords and tokens"
    )
    timeout: float = Field(30, gt=0, le=300, description="seconds to wait until all services have answered")


class PushSink:
    """Sends each message to every service; a digest is sent as one message, split if a service requires it.

    A service that accepted an alert does not get it again when it is retried for the others, as long as this sink
    lives, unless in a digest with something new. The library does not pass on a service's reasons, so no refusal is
    final.
    """

    Settings = PushSettings
    wants_pictures = True
    digests = True
    at_once = 1

    def __init__(self, settings: PushSettings, *, exchange_zones: Mapping[str, str] = MappingProxyType({})) -> None:
        self._settings = settings
        self._exchange_zones = exchange_zones
        self._services: list[Any] = []
        self._receivers = Receivers(range(len(settings.urls)))

    async def start(self) -> None:
        """Load the library and check that it knows the services; raises DeliveryError."""
        if not self._services:
            self._services = await asyncio.to_thread(_services, self._settings.urls)

    async def stop(self) -> None:
        """Nothing is held between two deliveries."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Send one message and return once every service has accepted it.

        Raises PartlyDeliveredError if some have, else DeliveryError.
        """
        await self.start()
        wanted = self._receivers.lacking(messages)
        reached = await self._hand_over(wanted, self._content(messages)) if wanted else set()
        self._receivers.note(messages, reached)
        if missing := [number for number in wanted if number not in reached]:
            names = ", ".join(f"{number + 1} ({self._services[number].service_name})" for number in missing)
            sentence = f"Of {len(self._services)} push services, these did not accept the alert: {names}"
            raise (PartlyDeliveredError if len(missing) < len(self._services) else DeliveryError)(sentence)

    async def _hand_over(self, wanted: Sequence[int], content: Mapping[str, Any]) -> set[int]:
        """Send the content to some services at once, and return those that accepted it in time."""
        tries = {asyncio.create_task(self._services[number].async_notify(**content)): number for number in wanted}
        try:
            done, _ = await asyncio.wait(tries, timeout=self._settings.timeout)
        finally:
            for each in tries:
                each.cancel()
        return {tries[each] for each in done if not each.exception() and each.result()}

    def _content(self, messages: Sequence[Message]) -> dict[str, Any]:
        """Make what the library sends: plain text, split to each service's limit rather than cut off."""
        import apprise  # noqa: PLC0415 - an optional extra
        from apprise.attachment.memory import AttachMemory  # noqa: PLC0415 - an optional extra

        words = say(messages, self._settings.zone, self._exchange_zones)
        title, body = words.notification()
        alarming = any(message.event.facts.warns for message in messages)
        charts = [message.picture for message in newest_first(messages) if message.picture][:MOST_CHARTS]
        attached = apprise.AppriseAttachment()
        for number, chart in enumerate(charts, start=1):
            picture = {"content": chart, "name": f"chart{number}.png", "mimetype": "image/png"}
            attached.add(AttachMemory(**picture))  # type: ignore[no-untyped-call]  # the library leaves it untyped
        return {
            "title": title,
            "body": body,
            "body_format": apprise.NotifyFormat.TEXT,
            "notify_type": apprise.NotifyType.WARNING if alarming else apprise.NotifyType.INFO,
            "overflow": apprise.OverflowMode.SPLIT,
            "attach": attached if charts else None,
        }


def _services(urls: Sequence[SecretStr]) -> list[Any]:
    try:
        import apprise  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise DeliveryError(
            "Push needs the library apprise, which is not installed; install closewatch[push]"
        ) from None
    services = [apprise.Apprise.instantiate(url.get_secret_value()) for url in urls]
    if unknown := [str(number) for number, service in enumerate(services, start=1) if service is None]:
        raise DeliveryError(
            f"Of {len(urls)} push services, apprise does not know these: {', '.join(unknown)}; check their addresses"
        )
    return services
