"""Real servers for tests, on loopback: an HTTP server, and the MQTT brokers mosquitto and amqtt.

Each is a context manager that gives a server which takes connections already, and ends it on leaving.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import sys
import time
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import TYPE_CHECKING, Any

import pytest
from amqtt.broker import Broker
from pwdlib.hashers.argon2 import Argon2Hasher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator, Mapping
    from email.message import Message
    from pathlib import Path

    from tests.adapters.certificates import Certificates

HOST = "127.0.0.1"
START_SECONDS = 10
STOP_SECONDS = 30.0
SYSTEM_PATH = "/usr/sbin:/usr/local/sbin"
"""Where system packages put servers, and where not everybody's PATH leads."""


def require(binary: str) -> str:
    """Find a program on this machine; without it the test is skipped, or fails where CI is set in the environment."""
    if found := shutil.which(binary) or shutil.which(binary, path=SYSTEM_PATH):
        return found
    reason = f"{binary} is not installed"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def free_port() -> int:
    """Find a port on which nothing listens."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def wait_until_open(port: int, process: subprocess.Popen[bytes]) -> None:
    """Wait until a process takes connections."""
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        try:
            socket.create_connection((HOST, port), timeout=1).close()
        except OSError:
            time.sleep(0.01)
        else:
            return
    raise AssertionError(f"{process.args!r} took no connection on port {port}")


@dataclass
class Mosquitto:
    """A mosquitto broker that can be ended and started again on the same port, and then has forgotten everything."""

    binary: str
    folder: Path
    options: str
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and wait until connections are taken."""
        conf = self.folder / f"mosquitto-{self.port}.conf"
        conf.write_text(f"user root\nlistener {self.port} {HOST}\n{self.options}\n")
        with (self.folder / f"mosquitto-{self.port}.log").open("ab") as log:
            self.process = subprocess.Popen([self.binary, "-c", str(conf)], stdout=log, stderr=log)
        wait_until_open(self.port, self.process)

    def stop(self) -> None:
        """End it as a service manager does."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(STOP_SECONDS)
            self.process = None

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.kill()
            self.stop()


@contextmanager
def mosquitto(folder: Path, options: str = "allow_anonymous true") -> Iterator[Mosquitto]:
    """Run mosquitto on a free port; ``options`` are lines of its configuration for this one listener."""
    broker = Mosquitto(require("mosquitto"), folder, options, free_port())
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def mosquitto_users(folder: Path, users: Mapping[str, str]) -> str:
    """Write a password file; gives the lines of configuration that use it and let nobody else in."""
    path = folder / "users"
    path.touch(mode=0o600)
    for name, password in users.items():
        subprocess.run([require("mosquitto_passwd"), "-b", str(path), name, password], check=True, capture_output=True)
    return f"allow_anonymous false\npassword_file {path}\n"


def mosquitto_tls(certificates: Certificates, *, client_certificate: bool = False) -> str:
    """Give the lines of configuration for TLS, asking for a certificate of the client's if so wished."""
    lines = f"certfile {certificates.server}\nkeyfile {certificates.server_key}\ncafile {certificates.authority}\n"
    return lines + "require_certificate true\nuse_identity_as_username true\n" * client_certificate


@asynccontextmanager
async def amqtt_broker(
    folder: Path, users: Mapping[str, str] | None = None, certificates: Certificates | None = None
) -> AsyncIterator[int]:
    """Run amqtt in this process, which speaks 3.1.1 alone, and give its port; with ``users`` it lets nobody else in."""
    port = free_port()
    listener: dict[str, Any] = {"type": "tcp", "bind": f"{HOST}:{port}"}
    if certificates is not None:
        listener |= {"ssl": True, "certfile": str(certificates.server), "keyfile": str(certificates.server_key)}
    plugins: dict[str, Any]
    if users is None:
        plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    else:
        path = folder / "amqtt-users"
        hasher = Argon2Hasher()
        path.write_text("".join(f"{name}:{hasher.hash(password)}\n" for name, password in users.items()))
        plugins = {"amqtt.plugins.authentication.FileAuthPlugin": {"password_file": str(path)}}
    broker = Broker({"listeners": {"default": listener}, "plugins": plugins})
    await broker.start()
    try:
        yield port
    finally:
        await broker.shutdown()


@dataclass(frozen=True)
class Request:
    """What a client sent."""

    method: str
    path: str
    headers: Message
    body: bytes


@dataclass(frozen=True)
class Response:
    """What to answer."""

    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""


@dataclass
class HttpServer:
    """An HTTP server with the requests it was sent, and the number of connections that they came over."""

    url: str
    requests: list[Request] = field(default_factory=list)
    connections: int = 0


@contextmanager
def http_server(
    answer: Callable[[Request], Response] = lambda _: Response(), certificates: Certificates | None = None
) -> Iterator[HttpServer]:
    """Run an HTTP/1.1 server on a free port.

    ``answer`` is called in a thread of the connection's own; a ConnectionError from it hangs up without an answer.
    """
    log = HttpServer("")

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def setup(self) -> None:
            super().setup()
            log.connections += 1

        def handle_any(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            request = Request(self.command, self.path, self.headers, body)
            log.requests.append(request)
            response = answer(request)
            self.send_response(response.status)
            for name, value in ({"Content-Length": str(len(response.body))} | dict(response.headers)).items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(response.body)

        do_GET = do_POST = do_PUT = handle_any  # noqa: N815 - the names are the base class's

        def log_message(self, *_: object) -> None:
            """Stay silent: the requests are kept."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        request_queue_size = 128

        def handle_error(self, request: socket.socket | tuple[bytes, socket.socket], client_address: object) -> None:
            """Stay silent where either side hung up: that is part of the tests."""
            if not isinstance(sys.exception(), OSError):
                super().handle_error(request, client_address)

    server = Server((HOST, 0), Handler)
    scheme = "http"
    if certificates is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(certificates.server, certificates.server_key)
        server.socket = context.wrap_socket(server.socket, server_side=True)
        scheme = "https"
    log.url = f"{scheme}://{HOST}:{server.server_port}"
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield log
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
