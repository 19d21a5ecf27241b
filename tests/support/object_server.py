"""An S3-compatible object store on loopback, in a thread, for tests of the remote store."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager

import boto3
from moto.server import ThreadedMotoServer

BUCKET = "fields"
KEYS = {"AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented"}


@contextmanager
def object_server() -> Iterator[str]:
    """Run a server with one empty bucket; yield its address."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        endpoint = f"http://{host}:{port}"
        boto3.client(
            "s3",
            endpoint_url=endpoint,
            region_name="us-east-1",
            aws_access_key_id=KEYS["AWS_ACCESS_KEY_ID"],
            aws_secret_access_key=KEYS["AWS_SECRET_ACCESS_KEY"],
        ).create_bucket(Bucket=BUCKET)
        yield endpoint
    finally:
        server.stop()


def settings(endpoint: str) -> dict[str, str]:
    """Return the environment by which the store finds the server."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("AWS_")}
    return {**own, **KEYS, "AWS_ENDPOINT_URL": endpoint}
