"""Each thing amiss is told once, by every way; no way can fail a night."""

import email
import email.policy
import json
import socket
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from bare_site import START, make_site
from mail_host import mail_host, web_address

from pipeline.site.alerts import Alerts, Mail, Webhook
from pipeline.watch import nights
from pipeline.watch.book import Book, read_book
from pipeline.watch.conditions import Condition, find_conditions
from pipeline.watch.letters import line
from pipeline.watch.nights import Watched, begin_night, end_night
from pipeline.watch.unnoted import memory
from pipeline.watch.ways import Sender, WayError, _secret, message_of, ways_of

NOW = START + timedelta(days=10)
NASTY = "T1\r\nBcc: thief@example.org\r\n\r\nbody\x1b[2J"


def condition(key="silent:plot", **changes):
    fields = {
        "kind": "silent",
        "what": "logger plot is silent",
        "since": "2024-01-01T00:00:00Z",
    }
    fields |= {"evidence": "none since", "advice": "Go and look", "lasting": True}
    return Condition(key, **(fields | changes))


def night(tmp_path, monkeypatch, found, alerts, day=0):
    """Watch one night whose conditions are given; return the account."""
    site = Watched("bare", "A bare site", tmp_path, alerts)
    monkeypatch.setattr(nights, "watched", lambda folder: site)
    monkeypatch.setattr(nights, "_conditions", lambda *_a: (list(found), ("silent", "night")))
    now = NOW + timedelta(days=day)
    begin_night(tmp_path, now)
    return end_night(tmp_path, {"site": "bare", "outcome": "done"}, now)["alerts"]


def lines(tmp_path):
    return [json.loads(line) for line in (tmp_path / "alerts.jsonl").read_text().splitlines()]


def test_told_once_then_over_then_again(tmp_path, monkeypatch):
    given = [[condition()], [condition(evidence="still")], [], [], [condition()]]
    for day, found in enumerate(given):
        night(tmp_path, monkeypatch, found, Alerts(log=False), day)
    assert [entry["event"] for entry in lines(tmp_path)] == ["raised", "over", "raised"]
    entry = lines(tmp_path)[0]
    assert entry["what"], entry["since"]
    assert (entry["evidence"], entry["advice"]) == ("none since", "Go and look")


@pytest.mark.parametrize("advice", ["Look at the cable", "Look at the cable."])
def test_an_advice_ends_with_one_full_stop(advice):
    note = {"event": "new", "what": "x", "since": "y", "evidence": "z", "advice": advice}
    assert line(note) == "alert: x, since y; z. Do: Look at the cable."
    assert line({**note, "evidence": "z."}) == line(note)


def test_what_happens_once_is_never_over_nor_told_again():
    book, once = Book(), condition("file:a.csv", kind="file", lasting=False)
    for found in ([once], [], [once]):
        book.update(found, ("file",), ["log"], "2024-01-11T00:00:00Z")
    assert [note["event"] for note in book.waiting] == ["raised"]
    assert book.open == {}


def test_what_was_not_looked_for_is_not_over():
    book = Book()
    book.update([condition()], ("silent",), ["log"], "1")
    _, gone = book.update([], ("night",), ["log"], "2")
    assert gone == []
    assert list(book.open) == ["silent:plot"]


def test_a_crash_between_entering_and_telling_tells_it_the_next_night(tmp_path, monkeypatch):
    def killed(*_arguments):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(nights, "_send", killed)
        with pytest.raises(KeyboardInterrupt):
            night(tmp_path, monkeypatch, [condition()], Alerts(log=False))
    assert not (tmp_path / "alerts.jsonl").exists()
    night(tmp_path, monkeypatch, [condition()], Alerts(log=False), 1)
    assert [entry["event"] for entry in lines(tmp_path)] == ["raised"]


DAMAGED = {
    "cut": lambda raw: raw[: len(raw) // 2],
    "no text": lambda raw: raw.replace(b"silent", b"sil\xe5nt", 1),
    "another name of a part": lambda raw: raw.replace(b'"since"', b'"sinbe"', 1),
    "a list": lambda raw: b"[]",
}


@pytest.mark.parametrize("kind", DAMAGED)
def test_a_damaged_book_is_kept_aside_and_said(tmp_path, monkeypatch, kind):
    night(tmp_path, monkeypatch, [condition()], Alerts(log=False))
    book = tmp_path / "watch.json"
    sound = book.read_bytes()
    book.write_bytes(DAMAGED[kind](sound))
    assert book.read_bytes() != sound
    account = night(tmp_path, monkeypatch, [condition()], Alerts(log=False), 1)
    assert (tmp_path / "watch.json.damaged").exists()
    assert len(lines(tmp_path)) == 2  # told anew
    assert account["open"] == 1
    assert read_book(tmp_path).remark == ""


def test_a_damaged_memory_of_whom_to_tell_is_written_anew(tmp_path, monkeypatch):
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    site = Watched("bare", "A bare site", tmp_path, Alerts())
    nights._remember(tmp_path, site)
    memory(tmp_path).write_bytes(b"\xff")
    nights._remember(tmp_path, site)
    assert nights._remembered(tmp_path).title == "A bare site"


def test_mail_and_webhook_get_what_and_since_and_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setenv("HOOK_TOKEN", "s3cret")
    with mail_host() as host, web_address() as web:
        alerts = Alerts(
            mail=mail(host.server_address[1]),
            webhook=Webhook(url=url(web), token_variable="HOOK_TOKEN"),
        )
        account = night(tmp_path, monkeypatch, [condition()], alerts)
        assert account["failures"] == []
        night(tmp_path, monkeypatch, [condition()], alerts, 1)
    assert len(host.received) == len(web.received) == 1
    message = email.message_from_bytes(host.received[0], policy=email.policy.default)
    assert message["Subject"] == "percolog bare: logger plot is silent"
    assert message.get_content_type() == "text/plain"
    for word in ("2024-01-01T00:00:00Z", "none since", "Go and look"):
        assert word in message.get_content()
    headers, document = web.received[0]
    assert headers["Authorization"] == "Bearer s3cret"
    assert document["alerts"][0]["advice"] == "Go and look"
    assert "s3cret" not in (tmp_path / "watch.json").read_text()


def test_a_name_with_line_breaks_makes_no_header_and_no_control_character(tmp_path):
    notes = [{**condition(what=NASTY, evidence=NASTY).as_dict(), "event": "raised"}]
    with mail_host() as host:
        sent = Alerts(log=False, file="", mail=mail(host.server_address[1]))
        ways_of(sent)["mail"](Sender(NASTY, NASTY, tmp_path), notes)
    head, _, body = host.received[0].partition(b"\r\n\r\n")
    # RFC 5322, 2.2: a header begins at the start of a line; a folded line begins with a blank.
    names = {row.split(b":")[0] for row in head.split(b"\r\n") if row[:1] not in (b" ", b"\t")}
    assert names == {
        *(b"Subject", b"From", b"To", b"Date", b"Message-ID", b"Auto-Submitted"),
        *(b"Content-Type", b"Content-Transfer-Encoding", b"MIME-Version"),
    }
    assert b"\x1b" not in body
    recipients = [line for line in host.commands if line.upper().startswith(b"RCPT")]
    assert len(recipients) == 1
    message = message_of(mail(25), Sender(NASTY, "", tmp_path), notes)
    assert message["Bcc"] is None


def test_a_way_that_fails_is_told_by_the_others_and_tried_again(tmp_path, monkeypatch):
    with socket.socket() as probe:  # a port where nothing listens
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    alerts = Alerts(log=False, mail=mail(port))
    account = night(tmp_path, monkeypatch, [condition()], alerts)
    assert [row["part"] for row in account["failures"]] == ["alerts by mail"]
    assert [entry["key"] for entry in lines(tmp_path)] == ["silent:plot", "way:mail"]
    with mail_host() as host:
        alerts = Alerts(log=False, mail=mail(host.server_address[1]))
        night(tmp_path, monkeypatch, [condition()], alerts, 1)
    assert b"logger plot is silent" in host.received[0]
    assert [entry["event"] for entry in lines(tmp_path)] == ["raised", "raised", "over"]
    assert read_book(tmp_path).waiting == []


@pytest.mark.parametrize("answer", [500, 302])
def test_an_address_that_refuses_or_sends_elsewhere_is_a_failure(tmp_path, answer):
    with web_address(answer) as web:
        hook = ways_of(Alerts(webhook=Webhook(url=url(web))))["webhook"]
        note = {**condition().as_dict(), "event": "raised", "time": "1"}
        with pytest.raises(WayError, match=str(answer)):
            hook(Sender("bare", "", tmp_path), [note])
    assert len(web.received) == 1  # the redirect was not followed


def test_an_unset_password_is_named_and_never_asked_of_the_description(monkeypatch):
    monkeypatch.delenv("PERCOLOG_MAIL_PASSWORD", raising=False)
    with pytest.raises(WayError, match="PERCOLOG_MAIL_PASSWORD is not set"):
        _secret("PERCOLOG_MAIL_PASSWORD", "password")
    with pytest.raises(ValueError, match="user"):
        Mail(host="h", sender="a@b", to=("a@b",), security="none", user="me")


class State:
    """As much of a snapshot as the conditions ask for: a ledger and a supply."""

    def __init__(self, site, last, volts):
        rows = [{"source": "logger", "last_s": last, "state": "read", "path": "a.csv"}]
        rows.append(
            {"source": "logger", "last_s": None, "state": "set aside", "path": "b.csv"}
        )
        self._ledger, self._volts = pa.Table.from_pylist(rows), volts
        self.axis, self.steps, self.labels = site.axis, len(volts), {"station": ["logger"]}

    def table(self, name):
        return self._ledger

    def holds(self, key):
        return True

    def read(self, key, start, stop):
        return self._volts[start:stop, None]


def test_a_silent_logger_a_low_supply_a_bad_tube_and_a_file_are_found():
    site = make_site(alerts=Alerts(silent_h=24, supply_low_v=11.8))
    site = SimpleNamespace(**{n: getattr(site, n) for n in FIELDS} | {"stations": ("logger",)})
    volts = np.full(240, 12.6, np.float32)
    volts[200:] = 11.2  # hourly: since hour 200
    state = State(site, int((NOW - timedelta(hours=30)).timestamp()), volts)
    verdicts = [
        {"tube": "T1", "verdict": "do not use", "reason": "bypass", "action": "seal it"},
        {"tube": "T2", "verdict": "use with care", "reason": "noise", "action": "look"},
        {
            "tube": "T3",
            "verdict": "do not use",
            "reason": "r",
            "action": "",
            "decided_by": "A",
        },
    ]
    row = {"place": "", "found": "nothing: x", "expected": "a table", "advice": "", "count": 1}
    summary = {"verdicts": verdicts, "set_aside": [{**row, "file": "b.csv"}]}
    found = {c.key: c for c in find_conditions(site, state, summary, NOW)}
    assert set(found) == {"silent:logger", "supply:logger", "tube:T1:do not use", "file:b.csv"}
    assert "30 h" in found["silent:logger"].what
    assert "11.20 V" in found["supply:logger"].evidence
    assert found["supply:logger"].since == "2024-01-09T08:00:00Z"  # 200 h after the start
    assert found["file:b.csv"].lasting
    assert found["file:b.csv"].evidence == "found nothing: x; expected a table"


FIELDS = ("alerts", "sources", "wiring", "tube_by_id", "start", "axis", "qc")


def mail(port):
    return Mail(
        host="127.0.0.1",
        port=port,
        security="none",
        sender="percolog@example.org",
        to=("keeper@example.org",),
        timeout_s=5,
    )


def url(web):
    return f"http://127.0.0.1:{web.server_address[1]}/hook"
