"""Makes the keys of the store, each with what it needs and no more: python3 -m deploy.store_keys

`deploy/container/store.json` is what the store reads; the lines that are printed belong into `.env` there.
"""

from __future__ import annotations

import json
import os
import secrets
import sys
from pathlib import Path

HERE = Path(__file__).parent / "container"
# The owner makes the bucket; the service takes pictures in and gives them out; the worker also locks, and
# deletes what a sweep or a false large file leaves. Of these two only the worker's key
# can delete a version or pass a lock.
NAMES = {"owner": "S3_OWNER", "service": "S3", "worker": "S3_WORKER"}


def made() -> tuple[dict[str, object], list[str]]:
    """The store's file of keys, and the settings that name them."""
    policies = json.loads((HERE / "store-policies.json").read_text("utf-8"))
    identities, lines = [], []
    for name, prefix in NAMES.items():
        key, secret = secrets.token_hex(10), secrets.token_urlsafe(30)
        may = {"actions": [], "policyNames": [name]} if name in policies else {"actions": ["Admin"]}
        credentials = [{"accessKey": key, "secretKey": secret}]
        identities.append({"name": name, "credentials": credentials, **may})
        lines += [f"{prefix}_ACCESS_KEY={key}", f"{prefix}_SECRET_KEY={secret}"]
    written = [{"name": name, "content": json.dumps(policy)} for name, policy in policies.items()]
    return {"identities": identities, "policies": written}, lines


def main() -> None:
    keys, lines = made()
    path = HERE / "store.json"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        sys.exit(f"{path} is there already. Nothing was changed. Move it away to make new keys.")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(keys, file, indent=2)
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
