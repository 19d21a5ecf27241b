"""How to have the nights run by systemd, by cron, or by a Prefect server there already.

Texts to print; nothing is installed. Names are quoted as each of them wants it.
"""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.watch.due import ScheduleError

KINDS = ("systemd", "cron", "prefect")


def how_to(
    kind: str,
    sites: Sequence[Path],
    at: str,
    zone: str,
    options: Mapping[str, object] | None = None,
) -> str:
    """Return a text that says how to run the nights of sites by something else.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    sites : sequence of Path
        Absolute folders.
    at, zone : str
        Time of day, and its IANA zone.
    options : mapping of str to values
        Further options of the command, by name: ``{"workers": 2}``.

    Raises
    ------
    ScheduleError
        If a name cannot be written into such a file at all.
    """
    options = options or {}
    words = [*map(str, sites), *(f"--{name}={value}" for name, value in options.items())]
    for word in words:
        if not word.isprintable():
            raise ScheduleError(f"found {word!r}; expected a name without breaks")
    hour, minute = (int(part) for part in at.split(":"))
    if kind == "prefect":
        return _prefect(words, {"sites": [*map(str, sites)], **options}, hour, minute, zone)
    return {"systemd": _systemd, "cron": _cron}[kind](words, hour, minute, zone)


def _command() -> str:
    beside = Path(sys.executable).with_name("percolog")
    return str(beside) if beside.exists() else "percolog"


def _systemd(words: Sequence[str], hour: int, minute: int, zone: str) -> str:
    command = " ".join(map(_systemd_word, [_command(), "night", *words]))
    return f"""\
# 1. /etc/systemd/system/percolog.service
[Unit]
Description=percolog: the night of the soil-water sites
After=network-online.target
Wants=network-online.target
# A night that fails is tried twice again, not for ever.
StartLimitIntervalSec=6h
StartLimitBurst=3

[Service]
Type=oneshot
User=percolog
# Alerts by e-mail or webhook: PERCOLOG_MAIL_PASSWORD=... there, readable by root alone.
EnvironmentFile=-/etc/percolog/secrets
StateDirectory=percolog
Environment=PERCOLOG_STATE=/var/lib/percolog
ExecStart={command}
# 3 is "done, but something needs a look": no failure of the service.
SuccessExitStatus=3
# Needs systemd 244 or newer for a service of this type.
Restart=on-failure
RestartSec=15min
RestartPreventExitStatus=2
# A server that Prefect started for the night ends with it.
KillMode=control-group
TimeoutStartSec=6h

# 2. /etc/systemd/system/percolog.timer
[Unit]
Description=percolog every night

[Timer]
# Daily by the clock of this zone. A timer never starts a service that is still running.
OnCalendar=*-*-* {hour:02d}:{minute:02d}:00 {zone}
# After the machine was off: one night at the next start, however many were missed.
Persistent=true

[Install]
WantedBy=timers.target

# 3. As root:
#   systemctl daemon-reload && systemctl enable --now percolog.timer
#   systemctl list-timers percolog.timer; journalctl -u percolog.service
"""


def _systemd_word(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("%", "%%").replace("$", "$$") + '"'


def _cron(words: Sequence[str], hour: int, minute: int, zone: str) -> str:
    command = shlex.join([_command(), "night", *words])
    inner = f'set -a; [ -f "$HOME/.percolog.env" ] && . "$HOME/.percolog.env"; exec {command}'
    job = shlex.quote(inner).replace("%", "\\%")  # cron takes a bare % for a line break
    return f"""\
# crontab -e of the user who owns the sites. cron reads the machine's own zone; CRON_TZ is
# understood by some (cronie), not by all: where it is not, give the time in the machine's
# zone. cron does not catch up after the machine was off: anacron or a systemd timer does.
CRON_TZ={zone}
# While a night is still running, flock leaves the next one out and the line says so; cron
# mails it. Passwords for alerts: NAME=... in ~/.percolog.env, readable by you alone.
{minute} {hour} * * *  flock -n "$HOME/.percolog.lock" sh -c {job} || echo "percolog: code $?"
"""


def _prefect(
    words: Sequence[str], given: Mapping[str, object], hour: int, minute: int, zone: str
) -> str:
    parameters = json.dumps(given)
    options = ["--at", f"{hour:02d}:{minute:02d}", "--zone", zone]
    command = shlex.join([_command(), "schedule", *words, *options])
    return f"""\
# With a Prefect server or work pool that is there already. percolog and the sites' folders
# must be on the machine of the worker.
#
# a) Served from here, scheduled by that server:
#   export PREFECT_API_URL=http://127.0.0.1:4200/api
#   {command}
#
# b) By a worker of a process work pool named local. prefect.yaml:
deployments:
  - name: percolog
    entrypoint: flows.every_night.every_night
    parameters: {parameters}
    schedules:
      - {{cron: "{minute} {hour} * * *", timezone: {json.dumps(zone)}, active: true}}
    work_pool: {{name: local}}
    concurrency_limit: {{limit: 1, collision_strategy: ENQUEUE}}
#   prefect work-pool create --type process local
#   prefect --no-prompt deploy --all && prefect worker start --pool local --limit 1
"""
