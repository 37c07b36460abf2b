"""A local S3 server on loopback, and a bucket in it."""

import logging
import os
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

from moto.server import ThreadedMotoServer

SETTINGS = {
    "AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_REGION": "us-east-1",
    "AWS_DEFAULT_REGION": "us-east-1", "AWS_ALLOW_HTTP": "true", "AWS_EC2_METADATA_DISABLED": "true",
}  # fmt: skip


@contextmanager
def object_store() -> Iterator[str]:
    """The URL of an empty bucket; the environment leads every client to it."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server.start()
    host, port = server.get_host_and_port()
    before = dict(os.environ)
    os.environ.update(SETTINGS | {"AWS_ENDPOINT_URL": f"http://{host}:{port}"})
    try:
        request = urllib.request.Request(f"http://{host}:{port}/fleet", method="PUT")
        urllib.request.urlopen(request).close()  # noqa: S310 - our own server on loopback
        yield f"s3://fleet/{uuid4().hex}"
    finally:
        os.environ.clear()
        os.environ.update(before)
        server.stop()
