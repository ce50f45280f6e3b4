"""A real D-Bus session bus, and a notification service on it that keeps what it is asked to show."""

from __future__ import annotations

import subprocess
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from dbus_fast import Message, MessageType
from dbus_fast.aio import MessageBus

from tests.adapters.servers import require

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

NAME = "org.freedesktop.Notifications"
PATH = "/org/freedesktop/Notifications"
DESCRIPTION = """\
<node><interface name="org.freedesktop.Notifications">
<method name="GetCapabilities"><arg direction="out" type="as"/></method>
<method name="Notify"><arg direction="in" type="s"/><arg direction="in" type="u"/><arg direction="in" type="s"/>
<arg direction="in" type="s"/><arg direction="in" type="s"/><arg direction="in" type="as"/>
{hints}<arg direction="in" type="i"/><arg direction="out" type="u"/></method>
<method name="CloseNotification"><arg direction="in" type="u"/></method>
<method name="GetServerInformation"><arg direction="out" type="s"/><arg direction="out" type="s"/>
<arg direction="out" type="s"/><arg direction="out" type="s"/></method>
<signal name="NotificationClosed"><arg type="u"/><arg type="u"/></signal>
<signal name="ActionInvoked"><arg type="u"/><arg type="s"/></signal>
</interface></node>"""
"""The interface as the Desktop Notifications Specification of freedesktop.org has it."""
HINTS = '<arg direction="in" type="a{sv}"/>'


CONFIGURATION = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:tmpdir=/tmp</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
</policy></busconfig>"""
"""A session bus as any other, but for the machine's own services, which it does not start."""


@contextmanager
def session_bus(folder: Path) -> Iterator[str]:
    """Run a session bus and give its address."""
    configuration = folder / "session.conf"
    configuration.write_text(CONFIGURATION)
    command = [require("dbus-daemon"), f"--config-file={configuration}", "--nofork", "--print-address=1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.terminate()


@dataclass(frozen=True)
class Shown:
    """What the service was asked to show."""

    program: str
    icon: str
    title: str
    body: str
    urgency: int
    sender: str


@dataclass
class Service:
    """A notification service; ``refuses`` is the error it answers with, ``silent`` keeps it from answering at all."""

    capabilities: list[str]
    hints: str = HINTS
    shown: list[Shown] = field(default_factory=list)
    refuses: str = ""
    silent: bool = False

    def answer(self, message: Message) -> Message | bool | None:
        """Answer one call, as the library's message handlers do."""
        if message.message_type is not MessageType.METHOD_CALL or message.path != PATH:
            return None
        if message.member == "Notify":
            return self._notify(message)
        told: dict[str, tuple[str, list[object]]] = {
            "Introspect": ("s", [DESCRIPTION.format(hints=self.hints)]),
            "GetCapabilities": ("as", [self.capabilities]),
            "GetServerInformation": ("ssss", ["Invented", "closewatch tests", "1", "1.2"]),
        }
        found = told.get(str(message.member))
        return Message.new_method_return(message, *found) if found else None

    def _notify(self, message: Message) -> Message | bool:
        if self.silent:
            return True
        if self.refuses:
            return Message.new_error(message, "org.freedesktop.DBus.Error.LimitsExceeded", self.refuses)
        program, _, icon, title, body, _, hints, _ = message.body
        self.shown.append(Shown(program, icon, title, body, hints["urgency"].value, str(message.sender)))
        return Message.new_method_return(message, "u", [len(self.shown)])


@asynccontextmanager
async def notification_service(address: str, *capabilities: str, hints: str = HINTS) -> AsyncIterator[Service]:
    """Offer a notification service that can do ``capabilities`` on the bus at ``address``."""
    service = Service(list(capabilities), hints)
    bus = await MessageBus(bus_address=address).connect()
    bus.add_message_handler(service.answer)
    await bus.request_name(NAME)
    try:
        yield service
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]  # the library leaves it untyped
