"""What Prefect must be told before it is imported.

Prefect reads its settings once, at its first import; nothing here imports it. Operators keep
the last word: a variable that is already set is left as it is.
"""

from __future__ import annotations

import os
from pathlib import Path


def force_settings(state: Path) -> None:
    """Point Prefect at a folder of ours, stop it from phoning home, and make it quiet.

    Parameters
    ----------
    state : Path
        Existing folder; Prefect's database and profiles go to ``prefect`` below it. A profile
        in the user's home is thereby left out; to use a persistent server set
        ``PREFECT_API_URL``.
    """
    home = state / "prefect"
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    settings = {
        "PREFECT_HOME": str(home),
        "PREFECT_PROFILES_PATH": str(home / "profiles.toml"),
        # The first stops the client's events, the second the server's telemetry.
        "DO_NOT_TRACK": "1",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_SERVER_EPHEMERAL_ENABLED": "true",
        # The first start makes the database and can take a minute on a slow disk.
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
        "PREFECT_LOGGING_LEVEL": "ERROR",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        # Failures are told by the command, once; Prefect would print each with a traceback.
        "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_EXTRA_LOGGERS": "pipeline",
        "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
        "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
    }
    if not os.environ.get("PREFECT_API_URL"):
        # A temporary server that is gone does not come back: with the default of five the
        # night would wait for three minutes before it goes on without it.
        settings["PREFECT_CLIENT_MAX_RETRIES"] = "2"
    for name, value in settings.items():
        os.environ.setdefault(name, value)
    _bypass_proxy()


def _bypass_proxy() -> None:
    # A proxy for the outside world cannot reach a server on this machine's loopback.
    for name in ("NO_PROXY", "no_proxy"):
        hosts = [host for host in os.environ.get(name, "").split(",") if host]
        hosts += [host for host in ("127.0.0.1", "localhost") if host not in hosts]
        os.environ[name] = ",".join(hosts)
