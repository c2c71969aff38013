"""The parts that the service is made of, from its settings: for the app, the worker, commands and tests."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from service.settings import Settings

if TYPE_CHECKING:
    from service.access.actions.keeping import AccessLog
    from service.access.actions.single_sign_on import SingleSignOn
    from service.database import Database
    from service.images.looking import Looker
    from service.intake.actions.committing import Commits
    from service.objects import Objects, ObjectSettings
    from service.objects.holding import Holding
    from service.plans.actions.checking import Checks
    from service.signing import Signer
    from service.watching import Watch
    from service.writable import Writable


class Parts:
    """Each part is made, and its code loaded, when it is first asked for: a command needs few, and at once.
    `close` ends those that were made. `every_site`: for who works for all sites, and not for a caller."""

    def __init__(self, settings: Settings, *, pool_size: int = 10, every_site: bool = False) -> None:
        self.settings = settings
        self._pool_size = pool_size
        self._every_site = every_site

    @cached_property
    def db(self) -> Database:
        from service.database import EVERY_SITE, NO_SITE, Database

        scope = EVERY_SITE if self._every_site else NO_SITE
        return Database(self.settings.database_url, pool_size=self._pool_size, scope=scope)

    @cached_property
    def access_log(self) -> AccessLog:
        from service.access.actions.keeping import AccessLog

        return AccessLog(self.db)

    @cached_property
    def objects(self) -> Objects:
        return open_objects(self.settings)

    @cached_property
    def holding(self) -> Holding:
        return open_holding(self.settings)

    @cached_property
    def signer(self) -> Signer:
        """Raises SettingError when there is no receipt key."""
        from service.signing import Signer

        return Signer.load(Path(self.settings.receipt_key_file))

    @cached_property
    def single_sign_on(self) -> SingleSignOn | None:
        """None where people sign in with passwords alone; raises SettingError."""
        from service.access.actions.single_sign_on import open_single_sign_on

        return open_single_sign_on(self.settings)

    @cached_property
    def writable(self) -> Writable:
        from service.writable import Writable

        return Writable(self.db, self.objects)

    @cached_property
    def commits(self) -> Commits:
        from service.intake.actions.committing import Commits

        return Commits()

    @cached_property
    def looker(self) -> Looker:
        from service.images.looking import Looker

        return Looker()

    @cached_property
    def checks(self) -> Checks:
        from service.plans.actions.checking import Checks

        return Checks()

    @cached_property
    def watch(self) -> Watch:
        from service.watching import Watch

        return Watch(self.settings.audit_days, self.writable)

    async def close(self) -> None:
        """End what was begun, commits that go on first."""
        made = self.__dict__
        if "commits" in made:
            await self.commits.close()
        if "access_log" in made:
            await self.access_log.close()
        if "db" in made:
            await self.db.close()
        for part in ("objects", "holding", "looker", "checks"):
            if part in made:
                made[part].close()


def open_objects(settings: Settings) -> Objects:
    """The object store these settings name."""
    from service.objects import Objects

    return Objects(store_settings(settings))


def open_holding(settings: Settings) -> Holding:
    """The same store, for those who look after what it holds."""
    from service.objects.holding import Holding

    return Holding(store_settings(settings))


def store_settings(settings: Settings) -> ObjectSettings:
    """What these settings say of the object store."""
    from service.objects import ObjectSettings

    return ObjectSettings(
        endpoint=settings.s3_endpoint,
        public_endpoint=settings.s3_public,
        region=settings.s3_region,
        bucket=settings.s3_bucket,
        access_key=settings.s3_access_key,
        secret_key=settings.s3_secret_key,
    )
