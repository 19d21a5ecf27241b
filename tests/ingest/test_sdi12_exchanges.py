"""How replies are joined to measurements, and what the standard does not allow.

Expected results are by hand from SDI-12 version 1.4: 4.4.5 to 4.4.8 (start, service request,
data, abort), Tables 9 to 11 (forms of replies and values), 4.4.12 (CRC). CRC characters come
from `crc_characters`, which is tested against printed ones.
"""

import pytest

from pipeline.ingest.records import REASONS
from pipeline.ingest.sdi12 import read_transcript
from pipeline.ingest.sdi12_codes import STATUSES
from pipeline.ingest.sdi12_crc import crc_characters
from pipeline.site.layout import Layout, TranscriptForm

START = 1_767_225_600  # 2026-01-01 00:00:00, by `date -u -d 2026-01-01 +%s`


def make_log(words: str, end: str = "\r\n") -> bytes:
    """Return a log of words such as ``>0M! <00012``, the nth at n seconds past midnight."""
    lines = words.split()
    return "".join(
        f"2026-01-01 00:{n // 60:02d}:{n % 60:02d} {word}{end}"
        for n, word in enumerate(lines, start=1)
    ).encode()


def read(data: bytes, **form):
    """Return the parsed log; the account must close whatever is in it."""
    layout = Layout(id="bus", transcript=TranscriptForm(**form))
    parsed = read_transcript(data, layout, "bus.log")
    assert parsed.rows_close()
    assert parsed.rows_read == data.count(b"\n") + (not data.endswith(b"\n"))
    return parsed


def readings(parsed) -> dict[str, list[tuple[int, float]]]:
    """Return (second of the start, value) by channel."""
    found: dict[str, list[tuple[int, float]]] = {}
    for table in parsed.tables:
        for channel, column in table.columns.items():
            pairs = zip(table.stamp_s.tolist(), column.tolist(), strict=True)
            found.setdefault(channel, []).extend((stamp - START, v) for stamp, v in pairs)
    return found


def rejects(parsed) -> list[tuple[str, int, int, int]]:
    """Return (reason, rows, values, first line) of what was set aside."""
    return [(r.reason, r.rows, r.values, r.first_line) for r in parsed.rejects]


def with_crc(reply: str) -> str:
    return reply + crc_characters(reply.encode()).decode()


# (words, readings) where nothing is set aside.
KEPT = {
    "interleaved concurrent measurements": (
        ">0C! <000102 >3C! <300201 >aC2! <a00001 >3D0! <3+7 >0D0! <0+1+2 >aD0! <a-5.5",
        {"0.C.1": [(1, 1.0)], "0.C.2": [(1, 2.0)], "3.C.1": [(3, 7.0)], "a.C2.1": [(5, -5.5)]},
    ),
    "another sensor is read while one is waited for": (
        ">0M! <00301 >1R0! <1+4 <0 >0D0! <0+9",
        {"0.M.1": [(1, 9.0)], "1.R0.1": [(3, 4.0)]},
    ),
    "aborted, then measured again": (
        ">0M! <00301 >0D0! <0 >0M! <00001 >0D0! <0+2",
        {"0.M.1": [(5, 2.0)]},
    ),
    # SDI-12: after 87 ms of marking a sensor needs a break to hear; the command is sent again.
    "a missing break: the first command goes unanswered": (
        ">0M! >0M! <00001 >0D0! <0+2",
        {"0.M.1": [(2, 2.0)]},
    ),
    "aborted with CRC": (
        f">0MC! <00301 >0D0! <{with_crc('0')} >0MC! <00001 >0D0! <{with_crc('0+2')}",
        {"0.M.1": [(5, 2.0)]},
    ),
    "data asked for too early, then again": (
        ">0C! <000501 >0D0! <0 >0D0! <0+2",
        {"0.C.1": [(1, 2.0)]},
    ),
    "start without reply, asked again": (
        ">0M! >0M! >0M! <00001 >0D0! <0+2",
        {"0.M.1": [(3, 2.0)]},
    ),
    "start asked again before the data": (
        ">0M! <00001 >0M1! <00002 >0D0! <0+2+3",
        {"0.M1.1": [(3, 2.0)], "0.M1.2": [(3, 3.0)]},
    ),
    "data without reply, asked again": (">0M! <00001 >0D0! >0D0! <0+2", {"0.M.1": [(1, 2.0)]}),
    "the same data asked for twice are one reading": (
        ">0M! <00002 >0D0! <0+2 >0D0! <0+2 >0D1! <0+3 >0D1! <0+3",
        {"0.M.1": [(1, 2.0)], "0.M.2": [(1, 3.0)]},
    ),
    "an empty reply behind the last value": (
        ">0M! <00001 >0D0! <0+2 >0D1! <0",
        {"0.M.1": [(1, 2.0)]},
    ),
    "continuous, with CRC, twice": (
        f">0RC9! <{with_crc('0+2')} >0RC9! <{with_crc('0+2')}",
        {"0.R9.1": [(1, 2.0), (3, 2.0)]},
    ),
    "verification": (">0V! <00001 >0D0! <0+1", {"0.V.1": [(1, 1.0)]}),
    "CRC or not, the channel is one": (
        f">0CC1! <000001 >0D0! <{with_crc('0+2')} >0C1! <000001 >0D0! <0+3",
        {"0.C1.1": [(1, 2.0), (5, 3.0)]},
    ),
    "commands without measurements": (
        ">?! <0 >0! <0 >0I! <014ACMEINC__SNS100123 >0IM! <00001 >0IM_001! <0,PR,mm; >0A5! <5"
        " >5! <5 >0IRC9_100! <0,PR,mm; >5HB! <5000001 >5DB0! <5xyz >5IHA! <5001001",
        {},
    ),
    "extended commands are not interpreted": (
        ">0XM! <00001 <anything+3 <at_all! >0M! <00001 >0D0! <0+2",
        {"0.M.1": [(5, 2.0)]},
    ),
    "nothing promised": (">0M! <00000 >0D0! <0", {}),
    "digits, points and signs": (
        ">0C! <000008 >0D0! <0+1234567-1234567+.5-0.000001+1.+0-0+123456.7",
        {
            f"0.C.{n}": [(1, v)]
            for n, v in enumerate((1234567, -1234567, 0.5, -1e-06, 1, 0, 0, 123456.7), start=1)
        },
    ),
    "high-volume data are numbered beyond D9": (
        ">0HA! <0001011 "
        + " ".join(f">0D{n}! <{with_crc(f'0+{n}')}" for n in range(11)),
        {f"0.HA.{n + 1}": [(1, float(n))] for n in range(11)},
    ),
    "high-volume data up to the most that can be promised": (
        ">0HA! <0001999 "
        + " ".join(f">0D{n}! <{with_crc(f'0+{n}')}" for n in range(999))
        + f" >0D999! <{with_crc('0')}",
        {f"0.HA.{n + 1}": [(1, float(n))] for n in range(999)},
    ),
}  # fmt: skip


@pytest.mark.parametrize(("words", "expected"), KEPT.values(), ids=KEPT.keys())
def test_exchanges_that_are_kept(words, expected):
    parsed = read(make_log(words))
    assert readings(parsed) == expected
    assert parsed.rejects == ()


# (words, readings, what was set aside: reason, rows, values, first line; part of the rule).
LONG_SHORT = "0" + "+12345" * 6
LONG = "0" + "+12345.7" * 10
SET_ASIDE = {
    "fewer values than promised": (
        ">0M! <00003 >0D0! <0+1+2 >1M! <10001 >1D0! <1+5",
        {"1.M.1": [(5, 5.0)]},
        ("count_mismatch", 1, 2, 4),
        "3 values as promised",
    ),
    "more values than promised": (
        ">0M! <00003 >0D0! <0+1+2 >0D1! <0+3+4", {}, ("count_mismatch", 2, 4, 4), "3 values",
    ),
    "a reply in the middle is missing": (
        ">0M! <00003 >0D0! <0+1 >0D1! >0D2! <0+2+3", {}, ("count_mismatch", 2, 3, 4), "3",
    ),
    "wrong CRC": (">0MC! <00001 >0D0! <0+3.14OqY", {}, ("checksum", 1, 1, 4), "CRC"),
    "CRC missing": (">0MC! <00001 >0D0! <0+3.14", {}, ("checksum", 1, 1, 4), "CRC"),
    "wrong CRC of an aborted reply": (
        ">0MC! <00001 >0D0! <0AP_", {}, ("checksum", 1, 0, 4), "CRC",
    ),
    "wrong CRC of a continuous reply": (">0RC0! <0+3.14OqY", {}, ("checksum", 1, 1, 2), "CRC"),
    "CRC nobody asked for": (
        ">0M! <00001 >0D0! <0+3.14OqZ", {}, ("bus_rule", 1, 1, 4), "no CRC",
    ),
    "wrong CRC, then the right one": (
        ">0MC! <00001 >0D0! <0+3.15OqZ >0D0! <0+3.14OqZ",
        {"0.M.1": [(1, 3.14)]}, ("checksum", 1, 1, 4), "CRC",
    ),
    "data without a measurement": (">0D0! <0+1+2", {}, ("no_measurement", 1, 2, 2), "start"),
    "data of a start that was not answered": (
        ">0M! >0D0! <0+1", {}, ("no_measurement", 1, 1, 3), "answered",
    ),
    "data nobody asked for": (
        ">0M! <00001 <0+1", {}, ("no_measurement", 1, 1, 3), "start",
    ),
    "data after an extended command": (
        ">0M! <00001 >0XM! <00001 >0D0! <0+1", {}, ("no_measurement", 1, 1, 6), "start",
    ),
    "another address": (
        ">0M! <00001 >0D0! <1+1", {}, ("bus_rule", 1, 1, 4), "address that was asked",
    ),
    "another address, then the right one": (
        ">0M! <00001 >0D0! <1+1 <0+2",
        {"0.M.1": [(1, 2.0)]}, ("bus_rule", 1, 1, 4), "address that was asked",
    ),
    "an address that is none": (">0R0! <?+1", {}, ("bus_rule", 1, 0, 2), "0-9, A-Z or a-z"),
    "a command to an address that is none": (">*M!", {}, ("bus_rule", 1, 0, 1), "0-9, A-Z"),
    "M0 is written M": (">0M0! <00001", {}, ("bus_rule", 1, 0, 1), "command of the standard"),
    "a command without its end": (">0M", {}, ("bus_rule", 1, 0, 1), "ended by"),
    "D10 after M": (
        ">0M! <00001 >0D10! <0+1", {}, ("bus_rule", 1, 0, 3), "D0 to D9",
    ),
    "the promise of M in the form of C": (
        ">0M! <000001", {}, ("bus_rule", 1, 0, 2), "atttn after M",
    ),
    "no promise": (">0C! <0", {}, ("bus_rule", 1, 0, 2), "atttnn after C"),
    "a promise nobody asked for": (">0! <0 <00001", {}, ("bus_rule", 1, 0, 3), "after"),
    "a service request after C": (
        ">0C! <000502 <0 >0D0! <0+1+2", {"0.C.1": [(1, 1.0)], "0.C.2": [(1, 2.0)]},
        ("bus_rule", 1, 0, 3), "service request",
    ),
    "a second service request": (
        ">0M! <00051 <0 <0 >0D0! <0+1", {"0.M.1": [(1, 1.0)]}, ("bus_rule", 1, 0, 4), "once",
    ),
    "a service request without waiting": (
        ">0M! <00001 <0", {}, ("bus_rule", 1, 0, 3), "time to wait",
    ),
    "text after an acknowledge": (">0! <0+1", {}, ("bus_rule", 1, 1, 2), "address alone"),
    "no sign": (">0M! <00001 >0D0! <03.14", {}, ("bus_rule", 1, 0, 4), "sign"),
    "no sign, no point": (">0M! <00001 >0D0! <012345", {}, ("bus_rule", 1, 0, 4), "sign"),
    "eight digits": (">0R0! <0+12345678", {}, ("bus_rule", 1, 1, 2), "7 digits"),
    "no digit": (">0R0! <0+1-", {}, ("bus_rule", 1, 2, 2), "1 digit"),
    "two points": (">0R0! <0+1.2.3", {}, ("bus_rule", 1, 1, 2), "1 decimal point"),
    "exponent": (">0R0! <0+1.5e+03", {}, ("bus_rule", 1, 2, 2), "exponent"),
    "short exponent": (">0R0! <0+1E5", {}, ("bus_rule", 1, 1, 2), "exponent"),
    "a letter among values": (">0R0! <0+1x+2", {}, ("bus_rule", 1, 2, 2), "only signs"),
    "36 characters after M": (
        f">0M! <00006 >0D0! <{LONG_SHORT}", {}, ("bus_rule", 1, 6, 4), "35",
    ),
    "80 characters after R": (f">0R0! <{LONG}", {}, ("bus_rule", 1, 10, 2), "75"),
    "other data in reply to the same D": (
        ">0M! <00002 >0D0! <0+1 >0D0! <0+2 >0D1! <0+3", {}, ("bus_rule", 2, 2, 4), "same",
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("words", "expected", "reject", "rule"), SET_ASIDE.values(), ids=SET_ASIDE.keys()
)
def test_exchanges_that_are_set_aside(words, expected, reject, rule):
    parsed = read(make_log(words))
    assert readings(parsed) == expected
    assert reject in rejects(parsed)
    (found,) = [
        r for r in parsed.rejects if (r.reason, r.first_line) == (reject[0], reject[3])
    ]
    assert rule in found.expected
    assert words.split()[reject[3] - 1] in found.found


def test_a_promise_whose_start_is_missing_ends_the_measurement_before():
    parsed = read(make_log(">0M! <00001 >0D0! <0+1 <00001 >0D0! <0+2"))
    assert readings(parsed) == {"0.M.1": [(1, 1.0)]}
    assert rejects(parsed) == [("no_measurement", 1, 1, 7), ("bus_rule", 1, 0, 5)]


def test_a_sent_line_that_can_not_be_read_ends_measurements_that_wait_for_data():
    log = make_log(">0M! <00001 >0D0! <0+1 >0M! <00001 >0D0! <0+2")
    parsed = read(log.replace(b":05 >0M!", b":05 >0\xcd!"))
    assert readings(parsed) == {"0.M.1": [(1, 1.0)]}
    assert rejects(parsed) == [
        ("damaged_text", 1, 0, 5), ("no_measurement", 1, 1, 8), ("bus_rule", 1, 0, 6),
    ]  # fmt: skip


@pytest.mark.parametrize("noise", [b"\x00", b"\xff", b"\x80\x81", b"\x1b", b"\x7f", b"\t"])
def test_noise_is_damage_and_the_reply_behind_it_is_read(noise):
    log = make_log(">0M! <00001 >0D0! <noise <0+1").replace(b"noise", b"0" + noise + b"+")
    parsed = read(log)
    assert readings(parsed) == {"0.M.1": [(1, 1.0)]}
    assert rejects(parsed) == [("damaged_text", 1, 0, 4)]
    assert "<0" + repr(noise)[2:-1] + "+" in parsed.rejects[0].found  # escaped once


def test_the_delete_character_may_be_part_of_a_crc():
    reply = next(text for n in range(10_000) if with_crc(text := f"0+{n}").endswith("\x7f"))
    parsed = read(make_log(f">0RC0! <{with_crc(reply)}"))
    assert readings(parsed) == {"0.R0.1": [(1, float(reply[1:]))]}


def test_all_62_addresses_at_once():
    addresses = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
    starts = " ".join(f">{a}C! <{a}09902" for a in addresses)
    data = " ".join(f">{a}D0! <{a}+{n}.5-{n}" for n, a in reversed(list(enumerate(addresses))))
    parsed = read(make_log(f"{starts} {data}"))
    assert parsed.rejects == ()
    assert readings(parsed) == {
        f"{a}.C.{k}": [(1 + 2 * n, value)]
        for n, a in enumerate(addresses)
        for k, value in ((1, n + 0.5), (2, -float(n)))
    }


def test_a_row_has_the_line_of_the_reply_its_values_stand_in():
    parsed = read(b"# bus 1\n\n" + make_log(">0M! <00003 >0D0! <0+1+2 >0D1! <0+3"))
    assert {tuple(t.columns): t.line.tolist() for t in parsed.tables} == {
        ("0.M.1", "0.M.2"): [6],
        ("0.M.3",): [8],
    }
    assert parsed.rows_without_values == 6


def test_numbers_that_mean_no_value_are_nulls():
    log = make_log(">0C! <000003 >0D0! <0-9999+2 >0D1! <0-9999.0")
    parsed = read(log, sentinels=(-9999.0,))
    assert {tuple(t.columns): t.line.tolist() for t in parsed.tables} == {
        ("0.C.1", "0.C.2"): [4],
        ("0.C.3",): [],
    }
    assert parsed.nulls == 2
    assert parsed.values_read == parsed.rows_with_values == 1


# The same exchange in other forms of log; the stamps are those of `make_log`.
EXCHANGE = ">0M! <00012 >0D0! <0+1-2"
FORMS = {
    "line feed only": (make_log(EXCHANGE, "\n"), {}),
    "ends spelled out": (make_log(EXCHANGE, "<CR><LF>\r\n"), {}),
    "blanks at the end": (make_log(EXCHANGE, "  \n"), {}),
    "no marks": (
        make_log(EXCHANGE).replace(b"<", b"").replace(b">", b""),
        {"sent": "", "received": ""},
    ),
    "one mark": (make_log(EXCHANGE).replace(b"<", b""), {"received": ""}),
    "words as marks": (
        make_log(EXCHANGE).replace(b"<", b"RX: ").replace(b">", b"TX: "),
        {"sent": "TX:", "received": "RX:"},
    ),
    "joined": (
        b"2026-01-01 00:00:01 0M!00012\n2026-01-01 00:00:03 0D0!0+1-2<CR><LF>\n",
        {"joined": True},
    ),
    "joined with marks": (
        b"2026-01-01 00:00:01 >0M! <00012\n2026-01-01 00:00:03 >0D0! <0+1-2\n",
        {"joined": True},
    ),
    "stamp behind": (
        b"0M!;00:00:01 01.01.26\n00012;00:00:02 01.01.26\n"
        b"0D0!;00:00:03 01.01.26\n0+1-2;00:00:04 01.01.26\n",
        {"stamp": "HH:mm:ss dd.MM.yy", "stamp_position": "after", "separator": ";",
         "sent": "", "received": ""},
    ),
    "UTF-16": (make_log(EXCHANGE).decode().encode("utf-16"), {"encoding": "utf-16"}),
    "byte order mark": (b"\xef\xbb\xbf" + make_log(EXCHANGE), {"encoding": "utf-8"}),
}  # fmt: skip


@pytest.mark.parametrize(("data", "form"), FORMS.values(), ids=FORMS.keys())
def test_forms_of_logs(data, form):
    layout = Layout(id="bus", transcript=TranscriptForm(**form))
    parsed = read_transcript(data, layout, "bus.log")
    assert readings(parsed) == {"0.M.1": [(1, 1.0)], "0.M.2": [(1, -2.0)]}
    assert parsed.rejects == ()
    assert parsed.rows_close()


def test_lines_that_are_not_of_the_layout():
    log = make_log(">0R0! <0+1") + b"rubbish\n2026-01-32 00:00:00 <0+1\n"
    log += b"2026-01-01 00:00:09 0R0!\n2026-01-01 00:00:10 >0R0!\n2026-01-01 00:00:11 <0+"
    parsed = read(log)
    assert readings(parsed) == {"0.R0.1": [(1, 1.0)]}
    assert rejects(parsed) == [
        ("incomplete_line", 1, 0, 7), ("no_stamp", 1, 0, 3), ("bad_stamp", 1, 0, 4),
        ("no_mark", 1, 0, 5),
    ]  # fmt: skip


def test_answers_alone_are_read_as_the_layout_says():
    log = b"".join(
        f"2026-01-01 00:{minute:02d}:{second:02d} {a}{text}\n".encode()
        for minute in (0, 15)
        for second, text in ((1, "+1+2"), (2, f"+{minute}"), (3, "-7"))
        for a in "05"
    )
    parsed = read(log, sent="", received="", answers=("M:3", "C2:1"))
    assert parsed.rejects == ()
    assert readings(parsed)["5.M.3"] == [(1, 0.0), (901, 15.0)]
    assert readings(parsed)["0.C2.1"] == [(1, -7.0), (901, -7.0)]
    assert sorted(readings(parsed)) == sorted(
        f"{a}.{name}" for a in "05" for name in ("M.1", "M.2", "M.3", "C2.1")
    )


def test_a_short_round_of_answers_is_set_aside_and_the_next_is_read():
    log = make_log("0+1+2 0+3 0+1+2") + b"2026-01-01 00:15:00 0+4+5\n2026-01-01 00:15:00 0+6\n"
    parsed = read(log, sent="", received="", answers=("M:3",))
    assert rejects(parsed) == [("count_mismatch", 1, 2, 3)]
    assert readings(parsed)["0.M.3"] == [(1, 3.0), (900, 6.0)]


def test_answers_of_a_measurement_with_crc_are_checked():
    log = make_log(f"{with_crc('0+1')} {with_crc('0+1')[:-1]}@")
    parsed = read(log, sent="", received="", answers=("MC1:1",))
    assert readings(parsed) == {"0.M1.1": [(1, 1.0)]}
    assert rejects(parsed) == [("checksum", 1, 1, 2)]


def test_every_reason_is_one_of_the_known_ones():
    assert {reason for reason, _ in STATUSES} - {""} <= set(REASONS)
