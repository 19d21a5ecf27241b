"""The account of `pipeline.watch.status` on one screen."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.console import clean, table
from pipeline.watch.status import LoggerRow, Status
from pipeline.words import span_of_hours

WORDS = {"done": "all right", "attention": "look", "wrong": "description", "failed": "failed"}
_MOST = 4


def status_text(accounts: Sequence[Status]) -> str:
    """Return one line a site, and below it what is not right and how its loggers are."""
    headers = ["site", "is", "last night (UTC)", "ended", "next night (UTC)", "store", "free"]
    lines = table(headers, [_row(account) for account in accounts]).split("\n")
    told = [lines[0]]
    for account, line in zip(accounts, lines[1:], strict=True):
        told += [line, *_below(account)]
    return "\n".join(told)


def _row(account: Status) -> list[object]:
    night, disk, due = account.get("night"), account.get("disk"), account.get("next")
    mark = "> " if disk and not disk["counted"] else ""
    return [
        account["site"],
        WORDS[account["outcome"]],
        _minute(night["began"] if night else None),
        ("running" if night["running"] else night["outcome"]) if night else None,
        _minute(due["due"] if due else None),
        _bytes(disk["store_bytes"] if disk else None, mark),
        _bytes(disk["free_bytes"] if disk else None),
    ]


def _below(account: Status) -> list[str]:
    lines = [f"  ! {clean(reason)}" for reason in account["why"][:_MOST]]
    if len(account["why"]) > _MOST:
        lines.append(f"  ! and {len(account['why']) - _MOST} more (--json lists all)")
    loggers = [_logger(row) for row in account.get("loggers", [])]
    if loggers:
        lines.append("  newest: " + "; ".join(loggers))
    bad = [row for row in account.get("tubes", []) if row["verdict"]]
    if bad:
        named = [f"{clean(row['tube'])} ({row['verdict']})" for row in bad[: 2 * _MOST]]
        more = f" and {len(bad) - len(named)} more" if len(bad) > len(named) else ""
        lines.append(f"  tubes to mind: {', '.join(named)}{more}")
    return lines


def _logger(row: LoggerRow) -> str:
    if row["newest"] is None:
        return f"{row['source']} never" if row["due"] else f"{row['source']} none, none due"
    ago = "" if not row["due"] else f" ({span_of_hours(row['hours_silent'] or 0)} ago)"
    return f"{row['source']} {_minute(row['newest'])}{ago}"


def _minute(text: str | None) -> str | None:
    return None if text is None else text[:16].replace("T", " ")


def _bytes(count: int | None, mark: str = "") -> str | None:
    if count is None:
        return None
    size = float(count)
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000:
            return f"{mark}{size:.3g} {unit}"
        size /= 1000
    return f"{mark}{size:.3g} TB"
