"""What is refused: other origins, forged names, foreign forms, odd paths, slow clients, too many clients."""

from __future__ import annotations

import re
import socket
import ssl
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import httpx
import pytest

from scanner.configuration.check import check
from scanner.configuration.model import settings as configuration
from scanner.configuration.model.settings import SettingsError
from scanner.configuration.page_files import PageFileError, check_certificate, password_line
from scanner.page.access import passwords
from scanner.page.access.guard import name_of
from scanner.page.access.passwords import Tries
from scanner.page.access.sessions import MOST_SIGNED_IN, SIGNED_IN_FOR, BrowserSessions
from tests.adapters.certificates import make_certificates
from tests.journal.samples import found
from tests.page.served import CONFIG, served

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.page.served import Served

SETUP = found("FULMAR")
PATH = f"/story/{SETUP.thread}"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("safe")) as serving_it:
        serving_it.say(SETUP)
        serving_it.until("FULMAR")
        yield serving_it


@pytest.fixture
def client(page: Served) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=page.url, trust_env=False) as asking:
        yield asking


def token_of(client: httpx.Client, path: str = PATH) -> str:
    found_one = re.search(r'name="token" value="([0-9a-f]{64})"', client.get(path).text)
    assert found_one is not None
    return found_one[1]


def sent(page: Served) -> dict[str, str]:
    """Give the headers that a browser sends with a form of the page."""
    return {"Origin": page.url, "Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "navigate"}


def note(client: httpx.Client, page: Served, token: str, text: str, **headers: str) -> httpx.Response:
    form = {"decision": "note", "text": text, "token": token}
    told = sent(page) | {key.replace("_", "-"): value for key, value in headers.items()}
    return client.post(PATH, data=form, headers={key: value for key, value in told.items() if value})


def test_a_form_of_its_own_session_is_taken_and_every_other_refused(client: httpx.Client, page: Served) -> None:
    token = token_of(client)
    assert note(client, page, token, "mine").status_code == 303
    refused = {
        "other origin": note(client, page, token, "1", Origin="http://evil.example"),
        "other port": note(client, page, token, "2", Origin="http://127.0.0.1:1"),
        "no origin": note(client, page, token, "3", Origin=""),
        "null origin": note(client, page, token, "4", Origin="null"),
        "cross site": note(client, page, token, "5", Sec_Fetch_Site="cross-site"),
        "same site": note(client, page, token, "6", Sec_Fetch_Site="same-site", Sec_Fetch_Mode="cors"),
        "forged name": note(client, page, token, "7", Host="evil.example", Origin="http://evil.example"),
        "no token": note(client, page, "", "8"),
        "wrong token": note(client, page, "0" * 64, "9"),
        "odd token": note(client, page, "ü" * 64, "10"),
    }
    with httpx.Client(base_url=page.url, trust_env=False) as other:
        other.get(PATH)
        refused["token of another session"] = note(other, page, token, "11")
        other.cookies.clear()
        refused["no session"] = note(other, page, token, "12")
    assert {what: each.status_code for what, each in refused.items()} == dict.fromkeys(refused, 403) | {
        "forged name": 421
    }
    assert [each.text for each in page.store.decisions.on(SETUP.thread)] == ["mine"]


def test_a_form_is_short_whole_and_urlencoded(client: httpx.Client, page: Served) -> None:
    token = token_of(client)
    assert note(client, page, token, "x" * 20_000).status_code == 413
    chunked = client.post(PATH, content=iter([b"decision=note"]), headers=sent(page))
    assert chunked.status_code == 413
    as_json = client.post(PATH, json={"decision": "note", "token": token}, headers=sent(page))
    assert as_json.status_code == 403
    odd = client.post(PATH, data={"decision": "sell everything", "token": token}, headers=sent(page))
    assert odd.status_code == 400
    slip = client.post(PATH, data={"decision": "take", "price": "1e99", "token": token}, headers=sent(page))
    assert (slip.status_code, "write a number such as 101.40" in slip.text) == (422, True)
    assert client.post("/journal", headers=sent(page) | {"Content-Length": "0"}).status_code == 405


def test_what_was_typed_into_a_refused_form_is_still_there(client: httpx.Client, page: Served) -> None:
    typed = {"decision": "take", "price": "1e99", "size": "12", "text": 'a "gap" & <b>'}
    slip = client.post(PATH, data=typed | {"token": token_of(client)}, headers=sent(page)).text
    shown = ("1e99", "12", "a &#34;gap&#34; &amp; &lt;b&gt;")
    assert [slip.count(f'value="{each}"') for each in shown] == [1, 1, 1]
    forged = client.post(PATH, data=typed | {"token": "x" * 43}, headers=sent(page)).text
    assert "1e99" not in forged


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost:1@evil.example", "a, localhost", ""]
)
def test_a_page_under_another_name_is_not_served(client: httpx.Client, host: str) -> None:
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code in {400, 421}
    assert "FULMAR" not in answer.text


def test_another_page_can_neither_read_nor_frame_it(client: httpx.Client) -> None:
    for mode in ("cors", "no-cors"):
        told = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": mode}
        assert client.get("/", headers=told).status_code == 403
        assert client.get("/live", headers=told).status_code == 403
    # A link from another site works.
    assert client.get("/", headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}).status_code == 200
    headers = client.get("/").headers
    rules = dict(each.strip().partition(" ")[::2] for each in headers["content-security-policy"].split(";"))
    assert (rules["default-src"], rules["script-src"], rules["frame-ancestors"]) == ("'none'", "'self'", "'none'")
    assert "unsafe" not in headers["content-security-policy"]
    assert (headers["x-frame-options"], headers["cross-origin-resource-policy"]) == ("DENY", "same-origin")
    assert "access-control-allow-origin" not in headers
    cookie = client.get("/").headers.get("set-cookie", "") or httpx.get(client.base_url).headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(cookie.split("; "))
    text = client.get(PATH).text
    assert not re.search(r"<script(?![^>]*src=)|\son\w+=|javascript:|style=", text)


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%2fapp.py",
        "/static/%2fetc%2fpasswd",
        "/static/style.css%00.js",
        "//etc/passwd",
        "/study/report",
        "/story/" + "0" * 32,
        "/story/..%2f..%2f",
        "/picture/setup/..%2f..%2fkept.db.png",
        "/data/why?instrument=../../kept.db",
        "/data/why?instrument=GANNET&at=999999999999999999",
        "/setups/%00",
    ],
)
def test_no_path_leads_out(page: Served, path: str) -> None:
    with socket.create_connection(("127.0.0.1", page.port)) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        got = b"".join(iter(lambda: line.recv(65_536), b""))
    assert got.startswith(b"HTTP/1.1 404 ")
    assert b"Traceback" not in got


@pytest.mark.parametrize("day", ["9998-01-01", "0001-01-09", "yesterday"])
def test_a_review_up_to_no_usable_day_says_how_to_write_one(client: httpx.Client, day: str) -> None:
    text = client.get("/review", params={"until": day}).text
    assert "Write the last day as 2026-03-02." in text
    assert text.rstrip().endswith("</html>")


@contextmanager
def lines(page: Served, count: int, sends: bytes) -> Iterator[list[socket.socket]]:
    """Open connections, each of which sends something and waits."""
    with ExitStack() as stack:
        opened = []
        for _ in range(count):
            opened.append(stack.enter_context(socket.create_connection(("127.0.0.1", page.port), 10)))
            opened[-1].sendall(sends)
        yield opened


def _until(line: socket.socket, word: bytes) -> bytes:
    """Read until a word arrives."""
    got = b""
    while word not in got:
        got += line.recv(4_096)
    return got


def test_slow_clients_delay_nobody(client: httpx.Client, page: Served) -> None:
    post = f"POST {PATH} HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\nx"
    with lines(page, 100, b"GET / HTTP/1.1\r\nHost: loc"), lines(page, 60, post.encode()):
        assert client.get("/").status_code == 200


def test_200_listeners_hear_of_a_change_and_too_many_connections_are_turned_away(page: Served) -> None:
    ask = b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n"
    with lines(page, 200, ask) as listening:
        heard = [_until(each, b"event: version") for each in listening]
        assert all(each.startswith(b"HTTP/1.1 200") for each in heard)
        page.say(found("SKUA"))
        for each in listening:
            _until(each, b"event: version")
        assert "SKUA" in page.until("SKUA")
        with lines(page, 260, ask) as more:
            assert any(each.recv(100).startswith(b"HTTP/1.1 503") for each in more[::-1])
    assert page.until("SKUA")


PASSWORD = "correct horse, invented"  # noqa: S105 - invented


def test_a_password_is_asked_for_hashed_and_not_to_be_guessed(tmp_path: Path) -> None:
    (tmp_path / "page.password").write_text(passwords.line_of(PASSWORD))
    (tmp_path / "page.password").chmod(0o600)
    assert PASSWORD not in (tmp_path / "page.password").read_text()
    with (
        served(tmp_path, 'password = "page.password"') as page,
        httpx.Client(base_url=page.url, trust_env=False) as client,
    ):
        for path in ("/", PATH, "/live", "/data/why", "/picture/why.png", "/study/report"):
            assert client.get(path).headers["location"] == "/login"
        assert client.post(PATH, headers=sent(page) | {"Content-Length": "0"}).status_code == 403

        def sign_in(password: str) -> httpx.Response:
            form = {"password": password, "token": token_of(client, "/login")}
            return client.post("/login", data=form, headers=sent(page))

        before = client.cookies.get(f"closewatch-{page.port}")
        assert sign_in("guess").status_code == 403
        assert sign_in(PASSWORD).status_code == 303
        assert client.cookies.get(f"closewatch-{page.port}") not in {None, before}
        page.say(SETUP)
        token = token_of(client)
        assert client.post("/logout", data={"token": token}, headers=sent(page)).headers["location"] == "/login"
        assert note(client, page, token, "replayed").status_code == 403
        assert [sign_in("guess").status_code for _ in range(6)] == [403, 403, 403, 403, 429, 429]
        assert sign_in(PASSWORD).status_code == 429
        assert page.store.decisions.on(SETUP.thread) == []


def test_over_tls_the_cookie_stays_on_tls(tmp_path: Path) -> None:
    made = make_certificates(tmp_path)
    table = f'certificate = "{made.server}"\nkey = "{made.server_key}"\n'
    trusting = ssl.create_default_context(cafile=made.authority)
    with served(tmp_path, table) as page:
        answer = httpx.get(page.url.replace("http", "https"), trust_env=False, verify=trusting)
        assert answer.headers["set-cookie"].startswith("__Host-closewatch-")
        assert "Secure" in answer.headers["set-cookie"]
        assert "strict-transport-security" in answer.headers


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('listen = "0.0.0.0"', "needs a password"),
        ('listen = "192.0.2.1"\npassword = "p"', "needs TLS"),
        ("behind_proxy = true", "needs a password"),
        ('certificate = "c.pem"', "certificate and key go together"),
        ('listen = "desk"', "listen"),
        ('names = ["EVIL/"]', "names"),
    ],
)
def test_what_others_can_reach_must_be_safe(tmp_path: Path, table: str, says: str) -> None:
    (tmp_path / "watch.toml").write_text(f"{CONFIG}\n[page]\n{table}\n")
    with pytest.raises(SettingsError, match=says):
        configuration.load(tmp_path / "watch.toml", {})


def test_only_its_owner_can_read_a_password_file(tmp_path: Path) -> None:
    (tmp_path / "watch.toml").write_text(f'{CONFIG}\n[page]\npassword = "page.password"\n')
    page = configuration.load(tmp_path / "watch.toml", {}).page
    assert page is not None
    (mistake,) = check(tmp_path / "watch.toml", {}).mistakes
    assert mistake.sentence.startswith(f"page.password: {tmp_path / 'page.password'}: No such file or directory; ")
    with pytest.raises(PageFileError, match="--set-password"):
        password_line(page, tmp_path)
    (tmp_path / "page.password").write_text("secret\n")
    (tmp_path / "page.password").chmod(0o644)
    with pytest.raises(PageFileError, match="chmod 600"):
        password_line(page, tmp_path)
    (tmp_path / "page.password").chmod(0o600)
    with pytest.raises(PageFileError, match="not a file of the page's password"):
        password_line(page, tmp_path)


def test_an_unusable_certificate_is_reported_by_the_check_and_before_serving(tmp_path: Path) -> None:
    made, path = make_certificates(tmp_path), tmp_path / "watch.toml"
    (tmp_path / "other.pem").write_text("no key")
    for certificate, key, says in (
        (made.server, made.server_key, ""),
        ("gone.pem", made.server_key, "gone.pem: No such file or directory; name a PEM file"),
        (made.server, "other.pem", "cannot be used together"),
    ):
        path.write_text(f'{CONFIG}\n[page]\ncertificate = "{certificate}"\nkey = "{key}"\n')
        mistakes = [each.sentence for each in check(path, {}).mistakes]
        assert len(mistakes) == bool(says)
        page = configuration.load(path, {}).page
        assert page is not None
        if says:
            assert says in mistakes[0]
            with pytest.raises(PageFileError, match=says):
                check_certificate(page, tmp_path)
        else:
            check_certificate(page, tmp_path)


def test_attempts_are_counted_by_address_and_in_total() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    for _ in range(passwords.PER_MINUTE):
        assert tries.may_try("2001:db8::1")
        tries.wrong("2001:db8::1")
    assert not tries.may_try("2001:db8::2")  # of the same network
    assert tries.may_try("192.0.2.1")
    for number in range(passwords.ALL_PER_MINUTE):
        tries.wrong(f"192.0.2.{number}")
    assert not tries.may_try("198.51.100.1")
    now[0] = passwords.MINUTE
    assert tries.may_try("2001:db8::1")


def test_sessions_expire_and_are_limited_in_number() -> None:
    now = [0.0]
    sessions = BrowserSessions(lambda: now[0])
    first = sessions.sign_in()
    assert sessions.is_signed_in(first)
    now[0] = SIGNED_IN_FOR
    assert sessions.is_signed_in(first)
    now[0] += SIGNED_IN_FOR + 1
    assert not sessions.is_signed_in(first)
    many = [sessions.sign_in() for _ in range(MOST_SIGNED_IN + 1)]
    assert [sessions.is_signed_in(each) for each in many].count(True) == MOST_SIGNED_IN
    assert not sessions.fits(first, BrowserSessions(lambda: 0.0).token(first))


@pytest.mark.parametrize("host", ["", ":80", "[::1", "x@localhost", "localhost:", "localhost:port", "local/host"])
def test_what_is_not_a_host_has_no_name(host: str) -> None:
    assert name_of(host) == ""
