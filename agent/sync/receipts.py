"""When a receipt counts: its signature holds and it lists every file of the return (I6)."""

from __future__ import annotations

from uuid import UUID

import msgspec

from agent.client.service import Service
from agent.errors import AgentError
from agent.outbox.outbox import Outbox
from service.contract.access import JwkSet
from service.contract.cards import Receipt, ReceiptBody, exact_path
from service.contract.signature import SignatureRefused, verify_receipt


def checked_receipt(
    outbox: Outbox, service: Service, keys: JwkSet, return_id: UUID, receipt: bytes
) -> tuple[ReceiptBody, JwkSet]:
    """The content of a receipt, given as it was answered, and the keys that proved it; raises AgentError for
    one that does not count."""
    try:
        body = _content(service, receipt, keys)
    except SignatureRefused:
        # The service may have changed its key since this workstation enrolled.
        # It is asked over the same link as everything else.
        keys = service.keys()
        body = _verified(service, receipt, keys)
    read = outbox.returns.get(return_id)
    listed = {(exact_path(f.path, f.path_bytes), f.sha256, f.size) for f in body.files}
    missing = sum(line not in listed for line in outbox.files.lines(return_id))
    same = body.card_return_id == return_id and body.manifest_sha256 == read.manifest_sha256
    if missing or not same or body.complete > bool(read.complete) or body.extent != read.extent:
        raise AgentError(
            f"The receipt does not list this card: {missing} files are missing from it.",
            "The card is not clear to wipe.",
            "Tell whoever runs the service; the agent tries again by itself.",
        )
    return body, keys


def _content(service: Service, receipt: bytes, keys: JwkSet) -> ReceiptBody:
    """What it says of 50,000 files takes 8 MB, once more in base64: neither outlives this function."""
    return msgspec.json.decode(verify_receipt(service.understood(receipt, Receipt), keys), type=ReceiptBody)


def _verified(service: Service, receipt: bytes, keys: JwkSet) -> ReceiptBody:
    try:
        return _content(service, receipt, keys)
    except SignatureRefused as error:
        raise AgentError(
            str(error),
            "The card is not clear to wipe.",
            "Tell whoever runs the service; the agent tries again by itself.",
        ) from error
