"""``[alerts]`` of ``site.toml``: what is worth telling a person at once, and by which way.

No secret stands in a description: a password or a token is named by the environment variable
that holds it.
"""

from __future__ import annotations

import re
from pathlib import PurePath
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from pipeline.site.base import Model
from pipeline.site.mistakes import BadValueError

_ADDRESS = re.compile(r"[^\s@<>(),;:\"\\]+@[^\s@<>(),;:\"\\]+")
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]*[A-Za-z0-9])?")
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def _address(text: str) -> str:
    if not _ADDRESS.fullmatch(text):
        raise BadValueError("a bare e-mail address like 'keeper@example.org'")
    return text


def _host(text: str) -> str:
    if not _HOST.fullmatch(text):
        raise BadValueError("the name of a mail host like 'mail.example.org'")
    return text


def _variable(text: str) -> str:
    if text and not _VARIABLE.fullmatch(text):
        raise BadValueError(
            "the name of an environment variable, letters, digits and '_'",
            "The secret itself never stands in a file of the description.",
        )
    return text


def _url(text: str) -> str:
    try:
        parts = urlsplit(text)
        known = parts.scheme in ("http", "https") and bool(parts.hostname)
        parts.port  # noqa: B018  - raises where it is no number
    except ValueError:
        known = False
    if not known or not text.isascii() or not text.isprintable() or " " in text:
        raise BadValueError("an address like 'https://hooks.example.org/percolog'")
    if parts.username or parts.password:
        raise BadValueError(
            "an address without a password in it",
            "Put a token into an environment variable and name it in 'token_variable'.",
        )
    return text


def _file(text: str) -> str:
    path = PurePath(text)
    if path.is_absolute() or ".." in path.parts or not text.isprintable():
        raise BadValueError("the name of a file below the site's output, like 'alerts.jsonl'")
    return text


Address = Annotated[str, AfterValidator(_address)]
Variable = Annotated[str, AfterValidator(_variable)]
Timeout = Annotated[float, Field(gt=0, le=120)]


class Mail(Model):
    """Alerts by e-mail."""

    host: Annotated[str, AfterValidator(_host)]
    port: Annotated[int, Field(ge=1, le=65_535)] = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: Address
    to: Annotated[tuple[Address, ...], Field(min_length=1)]
    user: str = ""  # empty: the host asks for no login
    password_variable: Variable = "PERCOLOG_MAIL_PASSWORD"
    timeout_s: Timeout = 20.0

    @field_validator("user")
    @classmethod
    def _only_ciphered(cls, user: str, info: ValidationInfo) -> str:
        if user and info.data.get("security") == "none":
            raise BadValueError(
                "no user where security is 'none'",
                "A password is never sent over an open line; use 'starttls' or 'tls'.",
            )
        return user


class Webhook(Model):
    """Alerts by HTTP POST of a JSON document."""

    url: Annotated[str, AfterValidator(_url)]
    token_variable: Variable = ""  # sent as "Authorization: Bearer ..."
    timeout_s: Timeout = 10.0


class Alerts(Model):
    """What raises an alert, and where it goes. A way that is not described is not used."""

    silent: bool = True
    silent_h: Annotated[float, Field(gt=0)] = 24.0
    night_h: Annotated[float, Field(gt=0)] = 36.0  # for `percolog status`
    supply: bool = True
    supply_low_v: Annotated[float, Field(gt=0)] | None = None  # None: as the quality test
    tubes: Literal["do not use", "use with care", "off"] = "do not use"
    set_aside: bool = True
    log: bool = True
    file: Annotated[str, AfterValidator(_file)] = (
        "alerts.jsonl"  # below the site's output; empty: none
    )
    mail: Mail | None = None
    webhook: Webhook | None = None
