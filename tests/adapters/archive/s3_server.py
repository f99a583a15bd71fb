"""A real server of an S3-like place, as a program of its own, which checks keys and signatures."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import boto3

from meterd.adapters.archive.target import Login
from tests.brokers import free_port, until

BEFORE_KEYS = 4  # requests that are taken without a key: those that make the first one
MAY = {"Version": "2012-10-17", "Statement": [{"Effect": "Allow", "Action": "s3:*", "Resource": "*"}]}


@dataclass(frozen=True, slots=True)
class Place:
    """A server with a bucket named `box`."""

    port: int
    login: Login


@contextmanager
def s3_server(folder: Path) -> Iterator[Place]:
    """Keeps what it is given in a folder. Ends with the `with` block."""
    port = free_port()
    env = os.environ | {
        "INITIAL_NO_AUTH_ACTION_COUNT": str(BEFORE_KEYS),
        "TMPDIR": str(folder),
        "MOTO_S3_DEFAULT_KEY_BUFFER_SIZE": "1",
    }
    command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]
    server = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        login: list[Login] = []

        def made() -> bool:
            with suppress(Exception):
                login[:] = [_first_key(port)]
            return bool(login)

        until(made, 60)
        yield Place(port, login[0])
    finally:
        server.kill()
        server.wait(10)


def _first_key(port: int) -> Login:
    where = {"endpoint_url": f"http://127.0.0.1:{port}", "region_name": "us-east-1"}
    anybody = {"aws_access_key_id": "anybody", "aws_secret_access_key": "anybody"}
    iam = boto3.client("iam", **where, **anybody)
    iam.create_user(UserName="mill")
    iam.put_user_policy(UserName="mill", PolicyName="box", PolicyDocument=json.dumps(MAY))
    key = iam.create_access_key(UserName="mill")["AccessKey"]
    box = {"aws_access_key_id": key["AccessKeyId"], "aws_secret_access_key": key["SecretAccessKey"]}
    boto3.client("s3", **where, **box).create_bucket(Bucket="box")
    return Login(key["AccessKeyId"], key["SecretAccessKey"])
