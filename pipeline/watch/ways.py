"""The ways by which alerts go out: the log, a file, e-mail, a webhook.

Each takes the notes of one site and raises `WayError` where it cannot tell them. None may
hold up the night: mail and webhook are given up after a time.
"""

from __future__ import annotations

import json
import logging
import os
import smtplib
import ssl
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeoutError
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import format_datetime, localtime, make_msgid
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import PercologError
from pipeline.refusals import meaning
from pipeline.site.alerts import Alerts, Mail, Webhook
from pipeline.watch.book import Note
from pipeline.watch.letters import letter, line, subject

logger = logging.getLogger(__name__)

Notes = Sequence[Note]
# A host may answer each of its lines just in time; all of them together may take so much.
_PATIENCE = 4.0
_PUBLIC = ("event", "time", "key", "kind", "what", "since", "evidence", "advice")


class WayError(PercologError, RuntimeError):
    """A way cannot tell its alerts."""


@dataclass(frozen=True)
class Sender:
    """Whose alerts are told, and where its files lie."""

    site: str
    title: str
    output: Path


def ways_of(alerts: Alerts) -> dict[str, Callable[[Sender, Notes], None]]:
    """Return the ways a site describes, by name."""
    ways: dict[str, Callable[[Sender, Notes], None]] = {}
    if alerts.log:
        ways["log"] = _log
    if alerts.file:
        ways["file"] = lambda sender, notes: _append(sender, notes, alerts.file)
    if (mail := alerts.mail) is not None:
        ways["mail"] = lambda sender, notes: _within(
            mail.timeout_s, lambda: _send_mail(mail, sender, notes)
        )
    if (hook := alerts.webhook) is not None:
        ways["webhook"] = lambda sender, notes: _within(
            hook.timeout_s, lambda: _post(hook, sender, notes)
        )
    return ways


def _log(sender: Sender, notes: Notes) -> None:
    for note in notes:
        logger.warning("%s: %s", sender.site, line(note))


def _append(sender: Sender, notes: Notes, name: str) -> None:
    path = sender.output / name
    lines = "".join(json.dumps(_public(sender, note)) + "\n" for note in notes)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a+b") as file:
            if file.tell() and not _ends_line(file):
                lines = "\n" + lines  # a crash cut the last one short
            file.write(lines.encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise WayError(f"{path}: {meaning(error) or error.strerror or error}") from error


def _ends_line(file: BinaryIO) -> bool:
    file.seek(-1, os.SEEK_END)
    return bool(file.read(1) == b"\n")


def _public(sender: Sender, note: Mapping[str, object]) -> dict[str, object]:
    return {"site": sender.site, **{name: note[name] for name in _PUBLIC}}


def _within(timeout_s: float, work: Callable[[], None]) -> None:
    outcome: Future[None] = Future()

    def run() -> None:
        try:
            work()
        except BaseException as error:
            outcome.set_exception(error)
        else:
            outcome.set_result(None)

    threading.Thread(target=run, daemon=True).start()
    try:
        outcome.result(timeout_s * _PATIENCE)
    except FutureTimeoutError:
        raise WayError(f"no end after {timeout_s * _PATIENCE:g} s") from None


def _secret(variable: str, what: str) -> str:
    found = os.environ.get(variable, "")
    if not found:
        raise WayError(
            f"the environment variable {variable} is not set; it should hold the {what}"
        )
    return found


def message_of(mail: Mail, sender: Sender, notes: Notes) -> EmailMessage:
    """Return the e-mail; its headers take no line break, whatever a name holds."""
    message = EmailMessage()
    message["Subject"] = subject(sender.site, notes)
    message["From"] = mail.sender
    message["To"] = ", ".join(mail.to)
    message["Date"] = format_datetime(localtime())
    # With the sender's domain: the name of this machine is nobody's business.
    message["Message-ID"] = make_msgid(domain=mail.sender.rpartition("@")[2])
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answering machine replies
    message.set_content(letter(sender.site, sender.title, notes))
    return message


def _send_mail(mail: Mail, sender: Sender, notes: Notes) -> None:
    message = message_of(mail, sender, notes)
    try:
        with _connection(mail) as server:
            if mail.security == "starttls":
                server.starttls(context=ssl.create_default_context())
            if mail.user:
                server.login(mail.user, _secret(mail.password_variable, "password"))
            refused = server.send_message(message)
    except (OSError, smtplib.SMTPException) as error:
        raise WayError(f"{mail.host}:{mail.port}: {_told(error)}") from error
    for address, (code, _text) in refused.items():  # the others have it
        logger.warning("%s: %s was refused by %s (%s)", sender.site, address, mail.host, code)


def _connection(mail: Mail) -> smtplib.SMTP:
    if mail.security == "tls":
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(mail.host, mail.port, timeout=mail.timeout_s, context=context)
    return smtplib.SMTP(mail.host, mail.port, timeout=mail.timeout_s)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would turn the POST into a GET, and take the token elsewhere."""

    def redirect_request(self, *_args: object, **_more: object) -> None:
        """Follow none; the answer is then an error."""


def _post(hook: Webhook, sender: Sender, notes: Notes) -> None:
    alerts = [_public(sender, note) for note in notes]
    content = {"site": sender.site, "title": sender.title, "alerts": alerts}
    headers = {"Content-Type": "application/json", "User-Agent": "percolog"}
    if hook.token_variable:
        headers["Authorization"] = f"Bearer {_secret(hook.token_variable, 'token')}"
    try:
        request = urllib.request.Request(
            hook.url, json.dumps(content).encode(), headers, method="POST"
        )
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=hook.timeout_s):
            return
    except urllib.error.HTTPError as error:
        error.close()
        raise WayError(f"the address answered {error.code}, expected 2xx") from error
    except (OSError, ValueError) as error:
        raise WayError(f"the address cannot be reached: {_told(error)}") from error


def _told(error: BaseException) -> str:
    """Return an error in one line, without what a host may have been sent."""
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"the login was refused ({error.smtp_code})"
    reason = getattr(error, "reason", None)
    for refused in (error, reason):
        if isinstance(refused, ssl.SSLCertVerificationError):
            return (
                f"its certificate is not trusted: {refused.verify_message}; correct the "
                f"host's name, or let this machine trust who issued it (SSL_CERT_FILE)"
            )
    return " ".join(str(reason or error or type(error).__name__).split())
