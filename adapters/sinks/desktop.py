"""The sink ``desktop``: each alert is a notification on the user's screen."""

from __future__ import annotations

import asyncio
import contextlib
from html import escape
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from scanner.ports import DeliveryError
from scanner.present.text import plain
from scanner.present.times import known_zone
from scanner.present.words import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from desktop_notifier.backends.base import DesktopNotifierBackend

    from scanner.events import Urgency
    from scanner.ports import Message

RANK: tuple[Urgency, ...] = ("low", "normal", "critical")
"""A critical notification stays on the screen until it is dismissed, the others leave by themselves."""
ICONS = {"low": "dialog-information", "normal": "dialog-information", "critical": "dialog-warning"}
"""Names of the freedesktop.org icon naming specification."""
GOODBYE_SECONDS = 1.0
MOST_HEADLINES = 8
"""A digest shows so many of its alerts: more do not fit on a screen."""


class DesktopSettings(BaseModel):
    """How notifications are worded, and how long their service may take."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for the desktop's notification service")
    zone: Annotated[str, AfterValidator(known_zone)] = Field("UTC", description="time zone of the reader")


class DesktopSink:
    """Shows notifications over one connection to the desktop session, made anew when it is lost.

    The connection is kept because some desktops take away the notifications of a program that has hung up.
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
        """Leave the session; what is on the screen is the desktop's."""
        async with self._turn:
            await self._hang_up()

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
                await self._hang_up()
                raise DeliveryError(
                    "The desktop's notification service does not answer: "
                    f"nothing came within {self._settings.timeout:g} s"
                ) from None
            except Exception as error:
                # Each system's notifications fail in ways of their own; none of them lies in the message.
                await self._hang_up()
                raise DeliveryError(
                    f"Cannot show notifications on this desktop: {plain(str(error) or type(error).__name__, 160)}; "
                    "closewatch has to run inside the user's desktop session, and a notification service with it"
                ) from error

    async def _connected(self) -> DesktopNotifierBackend:
        from desktop_notifier import Capability, DesktopNotifier  # noqa: PLC0415 - only where it is used

        if (bus := getattr(self._backend, "bus", None)) is not None and not bus.connected:
            await self._hang_up()
        if self._backend is None:
            # Sending through the notifier itself only logs what fails, with a traceback, and tells nobody.
            self._backend = DesktopNotifier("closewatch", app_icon=None)._backend  # noqa: SLF001 - `send` hides failures
        can = await self._backend.get_capabilities()
        # The library drops what it cannot send, in silence, where there is no way to show it or the D-Bus service
        # takes other arguments than the standard has it.
        if Capability.TITLE not in can or (hasattr(self._backend, "bus") and Capability.URGENCY not in can):
            raise RuntimeError("its notification service is of an unknown kind")
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

    async def _hang_up(self) -> None:
        backend, self._backend = self._backend, None
        if (bus := getattr(backend, "bus", None)) is not None:
            bus.disconnect()
            # However it ended, it has ended.
            with contextlib.suppress(Exception):
                async with asyncio.timeout(GOODBYE_SECONDS):
                    await bus.wait_for_disconnect()


def urgency(message: Message) -> Urgency:
    """Say how urgent a message is: by its kind, but what is too late or was set aside need not wait for anybody."""
    facts = message.event.facts
    if message.event.data.get("set_aside", False):
        return "low"
    return "normal" if message.late and facts.ages else facts.urgency


async def _reads_markup(backend: DesktopNotifierBackend) -> bool:
    """Ask whether the service takes the body for markup; only D-Bus services can."""
    interface = getattr(backend, "interface", None)
    return interface is not None and "body-markup" in await interface.call_get_capabilities()
