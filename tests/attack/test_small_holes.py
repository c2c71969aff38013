from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import os
import re
import shutil
import stat
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import boto3
import httpx
import pytest
from botocore.config import Config
from botocore.exceptions import ClientError

from agent.settings import State
from agent.workstation import Workstation
from deploy import store_keys
from deploy.embedded.ports import free_ports
from deploy.embedded.processes import Child
from deploy.embedded.store import _weed
from service.objects import Objects, ObjectSettings, Original
from tests.agent.station import jpeg, make_bench, put
from tests.deploy.nginx import NGINX, free_port, running_proxy
from tests.deploy.test_written import COMPOSE, UNITS, compose
from tests.live_service import Running

needs_nginx = pytest.mark.skipif(NGINX is None, reason="there is no nginx here")
STORE = "store.sightledger.example.org"


# The workstation's files


@pytest.fixture
def usual_umask() -> Iterator[None]:
    before = os.umask(0o022)
    yield
    os.umask(before)


def _open_to_others(folder: Path) -> list[tuple[str, str]]:
    found = [folder, *folder.rglob("*")]
    modes = [(path, stat.S_IMODE(path.stat().st_mode)) for path in found]
    wanted = {True: 0o700, False: 0o600}
    return [(str(path), oct(mode)) for path, mode in modes if mode != wanted[path.is_dir()]]


def test_other_users_of_a_workstation_read_neither_token_nor_spool_nor_outbox(
    tmp_path: Path, usual_umask: None
) -> None:
    """CWE-276 (from memory)."""
    with (bench := make_bench(tmp_path)).station as station:
        put(bench.card, "DCIM/100TWVS/A.JPG", jpeg(1))
        put(bench.card, "NOTES.TXT", b"x" * 5_000_000)
        bench.read()
        station.note_damage()
        assert _open_to_others(station.state.folder) == []


def test_files_that_were_open_to_others_are_shut_at_the_next_start(tmp_path: Path, usual_umask: None) -> None:
    with (bench := make_bench(tmp_path)).station as station:
        put(bench.card, "A.JPG", jpeg(2))
        bench.read()
        folder = station.state.folder
    (folder / "profiles/own.toml").write_text("")
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    assert _open_to_others(folder)
    with Workstation(State(folder)):
        assert _open_to_others(folder) == []


# What is deployed


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd here")
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_a_unit_gives_its_program_little_of_the_system(unit: Path) -> None:
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=30", "--no-pager", unit]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    exposed = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert exposed is not None, done.stdout + done.stderr
    assert float(exposed[1]) < 3.0


def test_a_part_that_is_taken_over_can_write_nothing_and_reaches_few_others() -> None:
    """OWASP Docker Security Cheat Sheet, rules 3, 4, 5, 8 (from memory)."""
    loaded = compose()
    parts = loaded["services"]
    for name, part in parts.items():
        assert part["read_only"] is True, name
        assert part["cap_drop"] == ["ALL"], name
        assert part["security_opt"] == ["no-new-privileges:true"], name
        assert "cap_add" not in part, name
        assert "privileged" not in part, name
        # The image of the service has a user of its own.
        assert part.get("user", "0").split(":")[0] != "0" or "build" in part, name
    assert [name for name, network in loaded["networks"].items() if not network.get("internal")] == [
        "outside"
    ]
    reach = {name: set(part["networks"]) for name, part in parts.items()}
    assert reach["proxy"].isdisjoint(reach["postgres"])
    assert reach["postgres"].isdisjoint(reach["store"])
    assert [name for name, networks in reach.items() if "outside" in networks] == ["proxy"]
    assert [name for name, part in parts.items() if part.get("ports")] == ["proxy"]
    keys = re.findall(r"S3_ACCESS_KEY: \$\{(\w+)", COMPOSE.read_text())
    assert sorted(keys) == ["S3_ACCESS_KEY", "S3_OWNER_ACCESS_KEY", "S3_WORKER_ACCESS_KEY"]


@contextmanager
def _store_as_composed(folder: Path) -> Iterator[tuple[str, dict[str, tuple[str, str]], dict[str, int]]]:
    """The store started with the words of the compose file, its inner ports beside its own."""
    keys, _ = store_keys.made()
    (folder / "store.json").write_text(json.dumps(keys))
    (folder / "data").mkdir()
    words = [str(word) for word in compose()["services"]["store"]["command"]]
    replaced = {
        "-dir=/data": f"-dir={folder / 'data'}",
        "-s3.config=/run/secrets/store_keys": f"-s3.config={folder / 'store.json'}",
        "-s3.ip.bind=0.0.0.0": "-s3.ip.bind=127.0.0.2",
    }
    assert replaced.keys() <= set(words)
    parts = ("master", "volume", "filer", "s3")
    ports = dict(zip(parts, free_ports(4, apart=10_000), strict=True))
    words = [replaced.get(word, word) for word in words] + [f"-{part}.port={ports[part]}" for part in parts]
    child = Child([_weed(), "-logtostderr", *words, "-volume.max=10"], log=folder / "store.log")
    given = {
        identity["name"]: tuple(identity["credentials"][0].values())
        for identity in keys["identities"]  # type: ignore[attr-defined]
    }
    try:
        yield f"http://127.0.0.2:{ports['s3']}", given, ports
    finally:
        child.stop()


def _client(address: str, key: tuple[str, str]) -> Any:
    more = Config(s3={"addressing_style": "path"}, retries={"total_max_attempts": 1})
    names = {"aws_access_key_id": key[0], "aws_secret_access_key": key[1]}
    return boto3.client("s3", endpoint_url=address, region_name="us-east-1", config=more, **names)


def _refused(work: Any, **named: Any) -> bool:
    try:
        work(Bucket="images", **named)
    except ClientError as error:
        return error.response["Error"]["Code"] == "AccessDenied"
    return False


def test_the_key_of_the_service_neither_deletes_nor_unlocks_and_inner_ports_are_closed(
    tmp_path: Path,
) -> None:
    with _store_as_composed(tmp_path) as (address, keys, ports):
        owner, ours, worker = (_client(address, keys[name]) for name in ("owner", "service", "worker"))
        for _ in range(120):
            try:
                owner.create_bucket(Bucket="images", ObjectLockEnabledForBucket=True)
                break
            except Exception:
                time.sleep(0.5)
        name = Original("S1", "ab" * 32).key
        for _ in range(60):
            try:
                version = ours.put_object(Bucket="images", Key=name, Body=b"picture")["VersionId"]
                break
            except ClientError as error:
                if error.response["Error"]["Code"] == "AccessDenied":
                    raise
                time.sleep(0.5)
        soon = datetime.now(UTC) + timedelta(days=1)
        held = {"Mode": "GOVERNANCE", "RetainUntilDate": soon}
        assert ours.get_object(Bucket="images", Key=name)["Body"].read() == b"picture"
        assert _refused(ours.delete_object, Key=name)
        assert _refused(ours.delete_object, Key=name, VersionId=version)
        assert _refused(ours.put_object_retention, Key=name, Retention=held)
        assert _refused(ours.put_object, Key="elsewhere", Body=b"x")
        assert _refused(ours.put_bucket_versioning, VersioningConfiguration={"Status": "Suspended"})
        assert _refused(ours.delete_bucket)
        worker.put_object_retention(Bucket="images", Key=name, VersionId=version, Retention=held)
        assert _refused(ours.delete_object, Key=name, VersionId=version, BypassGovernanceRetention=True)
        assert _refused(worker.delete_object, Key=name, VersionId=version)
        assert _refused(worker.delete_bucket)
        for part in ("master", "volume", "filer"):
            with pytest.raises(httpx.ConnectError):
                httpx.get(f"http://127.0.0.2:{ports[part]}/", trust_env=False)


# The proxy


class _Recorder(BaseHTTPRequestHandler):
    """Answers everything, and keeps what it was sent."""

    def __init__(self, seen: list[dict[str, str]], *given: Any) -> None:
        self.seen = seen
        super().__init__(*given)

    def do_GET(self) -> None:
        self.seen.append({**{name.lower(): value for name, value in self.headers.items()}, "path": self.path})
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.send_response(200)
        self.send_header("Set-Cookie", "of=the-store")
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"ok")

    do_PUT = do_DELETE = do_POST = do_GET

    def log_message(self, *_: object) -> None:
        return


@contextmanager
def _recorder() -> Iterator[tuple[str, list[dict[str, str]]]]:
    seen: list[dict[str, str]] = []
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Recorder, seen))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", seen
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@needs_nginx
def test_a_proxy_gives_the_store_no_cookie_and_no_header_that_no_ticket_names(tmp_path: Path) -> None:
    """OWASP ASVS 4.0.3 V3.4 and V14.4 (from memory)."""
    unwanted = {
        "Cookie": "session=secret", "Authorization": "Bearer secret", "Content-Encoding": "gzip",
        "Content-Disposition": "inline", "X-Amz-Acl": "public-read", "X-Amz-Tagging": "a=b",
    }  # fmt: skip
    with _recorder() as (store, seen), running_proxy(tmp_path, store, store, free_port()) as proxy:
        seen.clear()
        path = "/images/originals/sha256/ab/x"
        sent = proxy.send("PUT", path, STORE, headers={**unwanted, "If-None-Match": "*"}, content=b"12")
        assert (sent.status_code, sent.headers.get("set-cookie")) == (200, None)
        [got] = seen
        assert [name for name in unwanted if name.lower() in got] == []
        assert (got["host"], got["if-none-match"]) == (STORE, "*")
        seen.clear()
        for method, other in (
            ("DELETE", path), ("POST", path), ("GET", "/"), ("GET", "/images"), ("GET", "/images/"),
            ("GET", "/images/?list-type=2"), ("GET", "/other/originals/x"), ("GET", "/images/originals/../x"),
            ("PUT", "/images?policy"), ("GET", "/images//originals/../?versions"),
        ):  # fmt: skip
            assert proxy.send(method, other, STORE).status_code in (403, 404), (method, other)
        assert seen == []


@needs_nginx
def test_an_address_that_gives_a_picture_is_in_no_log_and_pages_and_store_have_paths_of_their_own(
    tmp_path: Path, service: Running, object_settings: ObjectSettings
) -> None:
    port = free_port()
    named = {"public_endpoint": f"https://{STORE}:{port}", "bucket": "images"}
    with (
        closing(Objects(replace(object_settings, **named))) as objects,
        running_proxy(tmp_path, service.url, object_settings.endpoint, port) as proxy,
    ):
        asyncio.run(objects.ensure_bucket())
        data = os.urandom(900)
        digest = hashlib.sha256(data).hexdigest()
        ticket = objects.presign_put(Original("S1", digest), len(data))
        assert proxy.send("PUT", ticket.url, headers=ticket.headers, content=data).status_code == 200
        got = proxy.send("GET", objects.presign_get(Original("S1", digest).key, "a.jpg", 60))
        assert (got.status_code, got.content) == (200, data)
        page = proxy.send("GET", f"/images/{digest}/thumbnail", f"sightledger.example.org:{port}")
        assert page.status_code == 401
        assert page.headers["content-type"] == "application/problem+json"
        written = proxy.log.read_text()
        assert digest in written
        assert "X-Amz" not in written
        assert "Signature" not in "".join(path.read_text() for path in tmp_path.glob("*.log"))


# Tickets


def test_a_ticket_gives_leave_for_what_it_signs_and_nothing_else(bucket: ObjectSettings) -> None:
    """Amazon S3 API Reference, Authenticating Requests: every query parameter is signed."""
    with closing(Objects(bucket)) as objects, httpx.Client(trust_env=False, timeout=30) as web:
        data = os.urandom(500)
        digest = hashlib.sha256(data).hexdigest()
        ticket = objects.presign_put(Original("S1", digest), len(data), "image/jpeg")
        changed = {
            "Content-Type": "text/html",
            "x-amz-checksum-sha256": base64.b64encode(bytes(32)).decode(),
            "If-None-Match": "other",
        }
        for name, value in changed.items():
            sent = web.put(ticket.url, content=data, headers={**ticket.headers, name: value})
            assert sent.status_code == 403, name
        for missing in ticket.headers.keys() - {"Content-Length"}:
            headers = {name: value for name, value in ticket.headers.items() if name != missing}
            assert web.put(ticket.url, content=data, headers=headers).status_code == 403, missing
        assert web.put(ticket.url, content=data, headers=ticket.headers).status_code == 200
        address = objects.presign_get(Original("S1", digest).key, f"{digest}.jpg", 60)
        assert web.get(address).headers["content-type"] == "image/jpeg"
        for altered in (
            address.replace("attachment", "inline"),
            address.replace("image%2Fjpeg", "text%2Fhtml"),
            address + "&response-content-type=text%2Fhtml",
            address + "&response-content-disposition=inline",
            address + "&response-content-encoding=gzip",
            address + "&versionId=null",
            address.replace("X-Amz-Expires=60", "X-Amz-Expires=604800"),
        ):
            assert web.get(altered).status_code in (400, 403), altered
        for method in ("DELETE", "PUT", "POST"):
            assert web.request(method, address).status_code in (400, 403, 405), method


def test_bytes_that_claim_to_be_a_page_are_given_out_as_bytes(bucket: ObjectSettings) -> None:
    with closing(Objects(bucket)) as objects, httpx.Client(trust_env=False, timeout=30) as web:
        data = b"<script>alert(1)</script>" + os.urandom(20).hex().encode()
        digest = hashlib.sha256(data).hexdigest()
        ticket = objects.presign_put(Original("S1", digest), len(data), "text/html")
        assert web.put(ticket.url, content=data, headers=ticket.headers).status_code == 200
        got = web.get(objects.presign_get(Original("S1", digest).key, f"{digest}.bin", 60))
        assert got.headers["content-type"] == "application/octet-stream"
        assert got.headers["content-disposition"].startswith("attachment")
