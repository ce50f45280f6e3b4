"""The sink ``desktop``: each alert is a notification on the user's screen."""

from __future__ import annotations

import asyncio
import contextlib
from html import escape
from types import MappingProxyType
from typing import TYPE_CHECKING

from pydantic import Field

from adapters.sinks.settings import ReaderSettings
from scanner.ports import DeliveryError
from scanner.present.words.words import say
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from desktop_notifier.backends.base import DesktopNotifierBackend

    from scanner.events import Urgency
    from scanner.ports import Message

RANK: tuple[Urgency, ...] = ("low", "normal", "critical")
"""A critical notification stays on the screen until it is dismissed, the others disappear by themselves."""
ICONS = {"low": "dialog-information", "normal": "dialog-information", "critical": "dialog-warning"}
"""Names of the freedesktop.org icon naming specification."""
GOODBYE_SECONDS = 1.0
MOST_HEADLINES = 8
"""Alerts of a digest that are shown: more do not fit on a screen."""


class DesktopSettings(ReaderSettings):
    """The reader's time zone, and how long the notification service may take."""

    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for the desktop's notification service")


class DesktopSink:
    """Shows notifications over one connection to the desktop session, renewed when it is lost.

    The connection is kept because some desktops remove the notifications of a program that has disconnected.
    """

    Settings = DesktopSettings
    wants_pictures = False
    digests = True
    at_once = 1

    def __init__(self, settings: DesktopSettings, *, exchange_zones: Mapping[str, str] = MappingProxyType({})) -> None:
        self._settings = settings
        self._exchange_zones = exchange_zones
        self._turn = asyncio.Lock()
        self._backend: DesktopNotifierBackend | None = None

    async def start(self) -> None:
        """Find the notification service; raises DeliveryError."""
        await self._in_turn(None)

    async def stop(self) -> None:
        """Leave the session; notifications on the screen stay."""
        async with self._turn:
            await self._disconnect()

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Show one notification and return once the service has it; raises DeliveryError."""
        await self._in_turn(messages)

    async def _in_turn(self, messages: Sequence[Message] | None) -> None:
        async with self._turn:
            try:
                async with asyncio.timeout(self._settings.timeout):
                    backend = await self._connected()
                    if messages is not None:
                        await self._show(backend, messages)
            except TimeoutError:
                await self._disconnect()
                raise DeliveryError(
                    "The desktop's notification service does not answer: "
                    f"nothing came within {self._settings.timeout:g} s"
                ) from None
            except Exception as error:
                # Each system's notifications fail in their own ways, never because of the message.
                await self._disconnect()
                raise DeliveryError(
                    f"Cannot show notifications on this desktop: {plain(str(error) or type(error).__name__, 160)}; "
                    "closewatch must run inside the user's desktop session, with a notification service"
                ) from error

    async def _connected(self) -> DesktopNotifierBackend:
        from desktop_notifier import Capability, DesktopNotifier  # noqa: PLC0415 - only where it is used

        if (bus := getattr(self._backend, "bus", None)) is not None and not bus.connected:
            await self._disconnect()
        if self._backend is None:
            # Sending through the notifier only logs failures, with a traceback, and does not report them.
            self._backend = DesktopNotifier("closewatch", app_icon=None)._backend  # noqa: SLF001 - `send` hides failures
        can = await self._backend.get_capabilities()
        # The library silently drops what it cannot send, if it cannot be shown or the D-Bus service takes arguments
        # other than the standard ones.
        if Capability.TITLE not in can or (hasattr(self._backend, "bus") and Capability.URGENCY not in can):
            raise RuntimeError("its notification service is not supported")
        return self._backend

    async def _show(self, backend: DesktopNotifierBackend, messages: Sequence[Message]) -> None:
        from desktop_notifier import Icon, Notification, Urgency  # noqa: PLC0415 - only where it is used

        words = say(messages, self._settings.zone, self._exchange_zones)
        title, body = words.notification(MOST_HEADLINES)
        if await _reads_markup(backend):
            body = escape(body, quote=False)
        chosen = max((urgency(message) for message in messages), key=RANK.index)
        notification = Notification(title, body, Urgency(chosen), Icon(name=ICONS[chosen]))
        await backend._send(notification)  # noqa: SLF001 - the public way to send hides what fails

    async def _disconnect(self) -> None:
        backend, self._backend = self._backend, None
        if (bus := getattr(backend, "bus", None)) is not None:
            bus.disconnect()
            # It has ended anyway.
            with contextlib.suppress(Exception):
                async with asyncio.timeout(GOODBYE_SECONDS):
                    await bus.wait_for_disconnect()


def urgency(message: Message) -> Urgency:
    """Give the urgency of a message: by its kind, but low for one that is too late or was set aside."""
    facts = message.event.facts
    if message.event.data.get("set_aside", False):
        return "low"
    return "normal" if message.late and facts.ages else facts.urgency


async def _reads_markup(backend: DesktopNotifierBackend) -> bool:
    """Ask whether the service reads the body as markup; only D-Bus services can."""
    interface = getattr(backend, "interface", None)
    return interface is not None and "body-markup" in await interface.call_get_capabilities()
