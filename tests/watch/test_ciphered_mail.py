"""Alerts by mail over TLS to a real mail server, with its login and its certificate."""

import asyncio
import ssl
import threading
from contextlib import contextmanager

import pytest
import trustme
from aiosmtpd.smtp import SMTP, AuthResult

from pipeline.site.alerts import Alerts, Mail
from pipeline.watch.ways import Sender, WayError, ways_of

# What the server warns of when its whole line is ciphered from the start.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
NOTE = {
    "event": "raised",
    "kind": "silent",
    "key": "silent:plot",
    "what": "logger plot is silent",
    "since": "2024-01-01T00:00:00Z",
    "evidence": "none since",
    "advice": "Go and look",
}


class Box:
    """Keeps what was received."""

    def __init__(self):
        self.received = []

    async def handle_DATA(self, server, session, envelope):
        is_ciphered = server.transport.get_extra_info("ssl_object") is not None
        self.received.append((is_ciphered, envelope.rcpt_tos, envelope.content))
        return "250 kept"


def login(server, session, envelope, mechanism, data):
    is_known = (data.login, data.password) == (b"station", b"s3cret")
    return AuthResult(success=is_known, handled=False)


@pytest.fixture
def authority(tmp_path, monkeypatch):
    """Return an authority for certificates that this process trusts, and no other."""
    made = trustme.CA()
    made.cert_pem.write_to_path(tmp_path / "trusted.pem")
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "trusted.pem"))
    monkeypatch.setenv("PERCOLOG_MAIL_PASSWORD", "s3cret")
    return made


@contextmanager
def served(make, **how):
    """Run a server of one protocol in a thread of its own; yield its port."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    starting = loop.create_server(make, "127.0.0.1", 0, **how)
    server = asyncio.run_coroutine_threadsafe(starting, loop).result(10)

    async def end():
        server.close()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        asyncio.run_coroutine_threadsafe(end(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


@pytest.fixture(params=["starttls", "tls"])
def post(request, authority):
    """Return a mail server's box and a way to send to it."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)
    starts = request.param == "starttls"
    box = Box()

    def server():
        return SMTP(
            box,
            tls_context=context if starts else None,
            require_starttls=starts,
            auth_require_tls=starts,
            auth_required=True,
            authenticator=login,
            auth_exclude_mechanism=["LOGIN"],  # would be tried, after PLAIN was refused
        )

    with served(server, ssl=None if starts else context) as port:

        def send(folder, name="localhost"):
            mail = Mail(
                host=name,
                port=port,
                security=request.param,
                sender="field@example.org",
                to=("keeper@example.org",),
                user="station",
                timeout_s=5,
            )
            sender = Sender("bare", "A bare site", folder)
            ways_of(Alerts(log=False, file="", mail=mail))["mail"](sender, [NOTE])

        yield box, send


def test_a_letter_goes_ciphered_after_the_login(post, tmp_path):
    box, send = post
    send(tmp_path)
    ((is_ciphered, recipients, content),) = box.received
    assert is_ciphered
    assert recipients == ["keeper@example.org"]
    assert b"Go and look" in content


def test_a_wrong_password_is_told_without_it(post, tmp_path, monkeypatch):
    box, send = post
    monkeypatch.setenv("PERCOLOG_MAIL_PASSWORD", "wr0ng")
    with pytest.raises(WayError, match=r"the login was refused \(535\)") as told:
        send(tmp_path)
    assert "wr0ng" not in str(told.value)
    assert box.received == []


def test_nothing_goes_to_a_host_whose_certificate_nobody_trusts(post, tmp_path, monkeypatch):
    box, send = post
    trustme.CA().cert_pem.write_to_path(tmp_path / "another.pem")
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "another.pem"))
    with pytest.raises(WayError, match=r"certificate is not trusted: .*(issuer|self.signed)"):
        send(tmp_path)
    assert box.received == []


def test_nothing_goes_to_a_host_with_anothers_certificate(post, tmp_path):
    box, send = post
    with pytest.raises(WayError, match="certificate is not trusted: IP address mismatch"):
        send(tmp_path, name="127.0.0.1")
    assert box.received == []
