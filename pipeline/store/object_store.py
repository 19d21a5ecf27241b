"""Where an object store is, what opens it, and what its errors mean to a person.

A site's description names only the bucket and the prefix: ``s3://bucket/prefix``. The
endpoint, the region and the credentials come from the environment, so that no secret lies in a
file that is handed on. Everything here is plain; `pipeline.store.site_store` opens what this
describes.
"""

from __future__ import annotations

import functools
import hashlib
import os
import ssl
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from concurrent.futures import Future, wait
from contextvars import copy_context
from dataclasses import dataclass
from pathlib import Path
from typing import ParamSpec, TypeVar
from urllib.parse import urlsplit

from pipeline.errors import LostStoreError, StoreError
from pipeline.own_folder import state_folder
from pipeline.processes import give_up

SCHEME = "s3://"
ENDPOINT = ("AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL")
REGION = ("AWS_REGION", "AWS_DEFAULT_REGION")
# Stores of one's own often have no regions, but a request must be signed for some.
_ANY_REGION = "us-east-1"
_ANSWER_WITHIN_S = 5.0
# How often a long piece of work looks whether the endpoint still answers, and after how many
# looks in vain it is given up. A restart of the object store takes less.
_LOOK_EVERY_S = 30.0
_LOOKS = 4

P = ParamSpec("P")
R = TypeVar("R")
# The endpoint that each thread has opened a store at.
_opened: dict[int, ObjectPlace] = {}


@dataclass(frozen=True)
class ObjectPlace:
    """A prefix of a bucket, and how it is reached.

    ``endpoint`` is None for the service that the library takes by itself.
    """

    address: str
    bucket: str
    prefix: str
    endpoint: str | None
    region: str

    def lock_path(self) -> Path:
        """Return the lock file, on this machine, of whoever writes to the place."""
        name = hashlib.blake2b(f"{self.endpoint} {self.address}".encode(), digest_size=16)
        return state_folder() / "locks" / f"{name.hexdigest()}.lock"

    def require_answer(self) -> None:
        """Refuse a place whose endpoint does not answer within a few seconds.

        The store's library tries for minutes, or for ever where a server takes a connection
        and says nothing. Any answer will do, a refusal too.

        Raises
        ------
        StoreError
            If there is no such machine.
        LostStoreError
            If it refuses or does not answer, which may pass.
        """
        if self.endpoint is None:
            return
        _opened[threading.get_ident()] = self
        self._ask()

    def _ask(self) -> None:
        question = urllib.request.Request(str(self.endpoint), method="HEAD")
        try:
            urllib.request.urlopen(question, timeout=_ANSWER_WITHIN_S).close()
        except urllib.error.HTTPError as error:
            error.close()
        except OSError as error:
            reason = getattr(error, "reason", error)
            if isinstance(reason, ssl.SSLError):
                return  # the library has certificates of its own, and tells what it finds
            told = f"{self.address}: nothing answers at {self.endpoint} ({reason}); {_SET_URL}"
            lasting = "not known" in str(reason) or "No address" in str(reason)
            raise (StoreError if lasting else LostStoreError)(told) from error
        except ValueError as error:
            raise StoreError(f"{self.address}: {error}; {_SET_URL}") from error


def object_place(address: str, environment: Mapping[str, str] = os.environ) -> ObjectPlace:
    """Return the place that an address names, reached as the environment says.

    Parameters
    ----------
    address : str
        ``s3://bucket/prefix``.
    environment : mapping
        ``AWS_ENDPOINT_URL_S3`` or ``AWS_ENDPOINT_URL``, ``AWS_REGION`` or
        ``AWS_DEFAULT_REGION``; the credentials are left to the store's library.

    Raises
    ------
    StoreError
        If the endpoint is not an address of the web.
    """
    parts = urlsplit(address)
    endpoint = _first(environment, ENDPOINT)
    if endpoint is not None:
        url = urlsplit(endpoint)
        if url.scheme not in ("http", "https") or not url.hostname:
            raise StoreError(
                f"{address}: AWS_ENDPOINT_URL: expected http(s)://host:port, found "
                f"{endpoint!r}; {_SET_URL}"
            )
    region = _first(environment, REGION) or _ANY_REGION
    return ObjectPlace(address, parts.netloc, parts.path.strip("/"), endpoint, region)


def told_fault(error: BaseException) -> StoreError | None:
    """Return what an object store's refusal means and what to do; None if it is none of those.

    Parameters
    ----------
    error : BaseException
        As the store's library raised it.
    """
    text = str(error)
    for sign, meaning, passing in _FAULTS:
        if sign in text:
            return (LostStoreError if passing else StoreError)(meaning)
    return None


def while_answering(work: Callable[P, R]) -> Callable[P, R]:
    """Give a function up once the object store that it has opened has fallen silent.

    The store's library waits for ever where a server keeps the connection and says nothing,
    and a call into it cannot be interrupted. So where an endpoint is set the work is done in a
    thread of its own, which is left to itself when the endpoint has not answered four times in
    two minutes. It ends with the process, or with an error should the server come back: then
    the other attempt's commit stands before it.

    Raises
    ------
    LostStoreError
        By the returned function, if the work is given up.
    """

    @functools.wraps(work)
    def held(*arguments: P.args, **options: P.kwargs) -> R:
        if _first(os.environ, ENDPOINT) is None:
            return work(*arguments, **options)
        outcome: Future[R] = Future()
        context = copy_context()  # a run's log goes where the run's does

        def carry_out() -> None:
            _opened.pop(threading.get_ident(), None)  # of an ended thread of the same number
            try:
                outcome.set_result(context.run(work, *arguments, **options))
            except BaseException as error:
                outcome.set_exception(error)
            finally:
                _opened.pop(threading.get_ident(), None)

        thread = threading.Thread(target=carry_out, name=work.__name__, daemon=True)
        thread.start()
        _watch(thread, outcome)
        return outcome.result()

    return held


def _watch(thread: threading.Thread, outcome: Future[R]) -> None:
    """Return when the work is done; raise when its endpoint has been silent for too long."""
    in_vain = 0
    while in_vain < _LOOKS:
        if wait([outcome], timeout=_LOOK_EVERY_S).done:
            return
        place = _opened.get(thread.ident or 0)
        try:
            if place is not None:
                place._ask()
            in_vain = 0
        except StoreError as error:
            in_vain, silent = in_vain + 1, error
    give_up(thread)
    raise LostStoreError(
        f"{silent}. It fell silent in the middle of the work, which was given up: the state "
        f"before is kept"
    ) from silent


def _first(environment: Mapping[str, str], names: tuple[str, ...]) -> str | None:
    return next((environment[name] for name in names if environment.get(name)), None)


_SET_URL = "set AWS_ENDPOINT_URL to the object store's address, and see that it runs"
_SET_KEYS = "set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (or AWS_PROFILE) for it"
# What the library's text holds (measured against a local server), what that means, and
# whether it may pass by itself.
_FAULTS = (
    ("NoSuchBucket", "there is no such bucket; make it, or mend 'store' in site.toml", False),
    ("loading credentials", f"no credentials found; {_SET_KEYS}", False),
    ("no providers in chain", f"no credentials found; {_SET_KEYS}", False),
    (
        "InvalidAccessKeyId",
        f"the object store does not know the access key; {_SET_KEYS}",
        False,
    ),
    ("SignatureDoesNotMatch", f"the secret key is not the access key's; {_SET_KEYS}", False),
    ("ExpiredToken", f"the credentials have run out; {_SET_KEYS}", False),
    ("AccessDenied", f"no right to the bucket; give it, or {_SET_KEYS}", False),
    ("InvalidBucketName", "the bucket's name is not valid; mend 'store' in site.toml", False),
    ("dispatch failure", f"the object store was not reached; {_SET_URL}", True),
    ("timeout", f"the object store did not answer in time; {_SET_URL}", True),
    ("SlowDown", "the object store is overloaded; run the night again later", True),
)
