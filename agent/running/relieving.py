"""Makes room in the spool while a card is still being read."""

from __future__ import annotations

from collections.abc import Callable

from agent.client.store import Store
from agent.locking import lock
from agent.sync.ahead import AheadSender
from agent.workstation import Workstation


def relieve(station: Workstation, stopping: Callable[[], bool]) -> bool:
    """Send what lies in the spool of cards that are being read; False when another process pushes.

    Raises what pushing raises.
    """
    with lock(station.state.locks / "push.lock") as ours:
        if not ours:
            return False
        store = Store(station.settings.timeout, station.settings.uploads, station.traffic)
        try:
            with station.service() as service:
                sender = AheadSender(station.outbox, station.spool, service, store, stopping)
                for card_return in station.outbox.returns.in_state("reading"):
                    sender.send(card_return.id, station.settings.uploads)
        finally:
            store.stop.set()
            store.close()
    return True
