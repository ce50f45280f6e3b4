"""The settings needed to reach an MQTT broker, and a connection to it that leaves nothing behind."""

from __future__ import annotations

import logging
import socket
import ssl
import threading
from contextlib import suppress
from pathlib import Path  # noqa: TC003 - pydantic needs it to read the annotations
from typing import TYPE_CHECKING, Any, Literal, Self

import aiomqtt
from pydantic import ConfigDict, Field, SecretStr, model_validator

from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    import paho.mqtt.client as paho
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

PLAIN_PORT, TLS_PORT = 1883, 8883
LIBRARY = logging.getLogger("closewatch.mqtt.library")
"""The library's log, which adds nothing: exceptions report failures in more detail."""
LIBRARY.setLevel(logging.CRITICAL)
TIMED_OUT = "Operation timed out"
"""The words with which aiomqtt reports it."""


class BrokerSettings(ConfigTable):
    """The broker, and our identity there."""

    model_config = ConfigDict(hide_input_in_errors=True)

    host: str = Field(min_length=1, description="host name or address of the broker")
    port: int | None = Field(None, ge=1, le=65_535, description="port; by default 1883, or 8883 with TLS")
    version: Literal["5.0", "3.1.1"] = Field("5.0", description="version of MQTT that the broker supports")
    user: str | None = Field(None, description="user name to log in with")
    password: SecretStr | None = Field(None, description="password to log in with; never in the file")
    tls: bool = Field(default=False, description="whether to use TLS, as is right for any broker not on this machine")
    ca_file: Path | None = Field(
        None, description="PEM file of the authorities to trust; by default those of the system"
    )
    client_cert: Path | None = Field(None, description="PEM file of the certificate to show to the broker")
    client_key: Path | None = Field(None, description="PEM file of its private key")
    client_key_password: SecretStr | None = Field(None, description="password of the private key, if it has one")
    keep_alive: int = Field(30, ge=5, le=65_535, description="seconds of silence after which the connection is checked")

    @model_validator(mode="after")
    def _login_is_whole(self) -> Self:
        if self.password is not None and self.user is None:
            raise ValueError("a password needs a user")
        if (self.client_cert is None) != (self.client_key is None):
            raise ValueError("client_cert and client_key go together")
        if not self.tls and (self.ca_file or self.client_cert):
            raise ValueError("ca_file and client_cert are for TLS: set tls = true")
        return self

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        return self.host, self.port or (TLS_PORT if self.tls else PLAIN_PORT)

    @property
    def anonymous(self) -> Self:
        """The same broker for a client without a login."""
        nobody = dict.fromkeys(("user", "password", "client_cert", "client_key", "client_key_password"))
        return self.model_copy(update=nobody)

    def tls_context(self) -> ssl.SSLContext | None:
        """Read the certificates, None without TLS; ValueError names an unusable file."""
        if not self.tls:
            return None
        for path in (self.ca_file, self.client_cert, self.client_key):
            if path is not None and not path.is_file():
                raise ValueError(f"there is no file {path}, which is needed for TLS")
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
            context.sslsocket_class = _ClosingSocket
            if self.client_cert is not None:
                secret = self.client_key_password
                # Without a password of ours the library would ask for one on the terminal.
                password = secret.get_secret_value() if secret else ""
                context.load_cert_chain(self.client_cert, self.client_key, password)
        except OSError as problem:
            paths = [str(path) for path in (self.ca_file, self.client_cert, self.client_key) if path]
            raise ValueError(f"the certificates in {', '.join(paths)} cannot be used: {problem}") from problem
        return context


class _ClosingSocket(ssl.SSLSocket):
    """A socket that is closed when the two sides cannot agree; paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, or close."""
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class BrokerLine(aiomqtt.Client):
    """A connection to a broker that is closed for good when it is given up, even if it is not complete.

    ``tls`` comes from ``BrokerSettings.tls_context``; ``options`` are those of aiomqtt beyond the settings.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        client_id: str,
        timeout: float,
        tls: ssl.SSLContext | None,
        **options: Any,  # noqa: ANN401 - aiomqtt's
    ) -> None:
        host, port = settings.address
        super().__init__(
            host,
            port,
            username=settings.user,
            password=settings.password.get_secret_value() if settings.password else None,
            identifier=client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if settings.version == "5.0" else aiomqtt.ProtocolVersion.V311,
            keepalive=settings.keep_alive,
            timeout=timeout,
            tls_context=tls,
            logger=LIBRARY,
            **options,
        )
        self._hung_up = "does it require a client certificate?" if tls else "does it require TLS?"
        five = settings.version == "5.0"
        self._silent = "does it support only 3.1.1? Then set version" if five else "is it an MQTT broker?"
        self._abandoned = False
        self._thread = threading.get_ident()

    async def __aenter__(self) -> Self:
        """Connect; raises MqttError."""
        try:
            return await super().__aenter__()
        except BaseException as problem:
            # The thread that connects cannot be stopped; what it has opened or is about to open is closed.
            self._abandoned = True
            self.break_off()
            if str(problem) == TIMED_OUT:
                raise aiomqtt.MqttError(f"it did not answer in {self.timeout:g} s; {self._silent}") from None
            raise

    def break_off(self) -> None:
        """Close the connection without a farewell."""
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    # Events of the connection reach only these methods of aiomqtt.

    def _client_connect(self) -> None:
        super()._client_connect()
        if self._abandoned:
            self.break_off()

    def _on_socket_register_write(self, client: paho.Client, userdata: Any, sock: Any) -> None:  # noqa: ANN401 - paho's
        if threading.get_ident() == self._thread:
            # aiomqtt does this a turn of the loop later, when the socket may be closed and its number used by another.
            self._loop.add_writer(sock.fileno(), self._write)
        else:
            super()._on_socket_register_write(client, userdata, sock)

    def _write(self) -> None:
        try:
            self._client.loop_write()
        except OSError:
            self.break_off()

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: Any,  # noqa: ANN401 - paho's
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if self._connected.cancelled():
            return  # given up before it was complete, so no call waits for it
        if self._connected.done():
            super()._on_disconnect(client, userdata, flags, reason_code, properties)
        elif not self._abandoned:
            # aiomqtt would wait for an answer until its timeout.
            self._connected.set_exception(aiomqtt.MqttError(f"it disconnected instead of answering; {self._hung_up}"))
