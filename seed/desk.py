"""A person at a desk: signed in to the service over HTTP, as anyone with a browser or a script would be."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import Any, cast

import httpx


class Refused(Exception):
    """The service turned a request down; `status` and the problem's own words."""

    def __init__(self, response: httpx.Response) -> None:
        problem = response.json() if "json" in response.headers.get("content-type", "") else {}
        self.status = response.status_code
        self.problem: dict[str, Any] = problem
        asked = f"{response.request.method} {response.request.url.path}"
        super().__init__(f"{asked}: {self.status} {problem.get('detail', response.text[:300])}")


class Desk:
    """JSON over HTTP under /api/v1 as one signed-in person."""

    def __init__(self, url: str, login: str, password: str) -> None:
        self._client = httpx.Client(base_url=f"{url}/api/v1", timeout=60)
        # The store gets no token, so it is asked by a client of its own.
        self._store = httpx.Client(timeout=60)
        token = self.post("/sessions", {"login": login, "password": password})["token"]
        self._client.headers["Authorization"] = f"Bearer {token}"

    def __enter__(self) -> Desk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        self._client.close()
        self._store.close()

    def get(self, path: str, **query: Any) -> Any:
        return self._answer(self._client.get(path, params=query))

    def put(self, path: str, body: Any) -> Any:
        return self._answer(self._client.put(path, json=body))

    def put_text(self, path: str, body: str) -> Any:
        """A plan document as YAML."""
        headers = {"Content-Type": "application/yaml"}
        return self._answer(self._client.put(path, content=body, headers=headers))

    def post(self, path: str, body: Any) -> Any:
        return self._answer(self._client.post(path, json=body))

    def every(self, path: str, **query: Any) -> Iterator[dict[str, Any]]:
        """All items of a keyset list, following the Link header (RFC 8288) to its end."""
        response = self._client.get(path, params=query)
        while True:
            yield from cast(list[dict[str, Any]], self._answer(response)["items"])
            following = response.links.get("next")
            if following is None:
                return
            response = self._client.get(response.url.join(following["url"]))

    def download(self, path: str) -> bytes:
        """The bytes behind a redirect to the object store, fetched without our token."""
        response = self._client.get(path)
        if response.status_code != 303:
            self._answer(response)
        return self._store.get(response.headers["location"]).raise_for_status().content

    def _answer(self, response: httpx.Response) -> Any:
        if response.is_error:
            raise Refused(response)
        return response.json() if response.content else None
