"""PostgreSQL refuses to run as root: the user it runs as instead, and files within that user's reach."""

from __future__ import annotations

import os
import pwd
import shutil
import stat
import tempfile
from pathlib import Path

# Debian's and macOS's rule: the user that owns nothing.
NOBODY = "nobody"
DATA_PREFIX = "sightledger-data-"


def user_for_servers() -> tuple[int, int] | None:
    """(uid, gid) to drop to; None when this process is not root and has nothing to drop."""
    if os.geteuid() != 0:
        return None
    try:
        entry = pwd.getpwnam(NOBODY)
    except KeyError:
        return 65534, 65534
    return entry.pw_uid, entry.pw_gid


def reachable(path: Path, user: tuple[int, int] | None) -> bool:
    """True when `user` may pass through every folder above `path`."""
    if user is None:
        return True
    return all(_may_pass(folder, user) for folder in path.absolute().parents)


def _may_pass(folder: Path, user: tuple[int, int]) -> bool:
    found = folder.stat()
    if found.st_uid == user[0]:
        return bool(found.st_mode & stat.S_IXUSR)
    if found.st_gid == user[1]:
        return bool(found.st_mode & stat.S_IXGRP)
    return bool(found.st_mode & stat.S_IXOTH)


def shared_temporary_folder() -> Path:
    """A folder every user may pass and that outlives a restart of the machine where there is one."""
    lasting = Path("/var/tmp")  # noqa: S108
    return lasting if os.access(lasting, os.W_OK) else Path(tempfile.gettempdir())


def copied_once(parts: list[Path], name: str) -> Path:
    """A folder with copies of `parts` that every user may read; made on first use, then found again.

    The folder belongs to this user and nobody else may write in it; one that does not is not used.
    """
    home = shared_temporary_folder() / name
    if not home.exists():
        making = Path(tempfile.mkdtemp(prefix=f"{name}-", dir=home.parent))
        try:
            for part in parts:
                shutil.copytree(
                    part, making / part.name, symlinks=True, ignore=shutil.ignore_patterns("include")
                )
            making.chmod(0o755)
            if not home.exists():
                making.rename(home)
        finally:
            shutil.rmtree(making, ignore_errors=True)
    found = home.lstat()
    if found.st_uid != os.geteuid() or not stat.S_ISDIR(found.st_mode) or found.st_mode & 0o022:
        raise PermissionError(f"{home} is not a folder of this user alone. Remove it and start again.")
    return home


def linked_elsewhere(link: Path) -> Path:
    """The folder that `link` points at, made in a shared temporary folder when there is none yet.

    For data whose own path the server's user cannot pass. Folders made for links that are gone or point
    elsewhere are removed first, so that deleting the caller's folder deletes the data by the next run.
    """
    place = shared_temporary_folder()
    for old in place.glob(f"{DATA_PREFIX}*"):
        if old.stat().st_uid == os.geteuid() and _abandoned(old):
            shutil.rmtree(old, ignore_errors=True)
    if link.is_symlink() and link.exists():
        return link.resolve()
    link.unlink(missing_ok=True)
    made = Path(tempfile.mkdtemp(prefix=DATA_PREFIX, dir=place))
    made.chmod(0o711)
    (made / "data").mkdir()
    link.symlink_to(made / "data")
    (made / "link").write_text(str(link.absolute()))
    return made / "data"


def _abandoned(folder: Path) -> bool:
    noted = folder / "link"
    return noted.exists() and Path(noted.read_text()).resolve() != (folder / "data").resolve()
