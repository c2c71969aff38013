"""A strict look at HTML: tags that close, ids that are unique, images and fields that say what they are."""

from __future__ import annotations

from html.parser import HTMLParser

import httpx

# WHATWG HTML 13.1.2
VOID = frozenset(
    ["area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"]
)
SELF_CLOSED_IN_SVG = frozenset({"rect", "circle", "path"})


class Outline(HTMLParser):
    """`faults` lists what is wrong; `text` is what the page says."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: set[str] = set()
        self.labelled: set[str] = set()
        self.fields: set[str] = set()
        self.links: list[str] = []
        self.headings: list[int] = []
        self._said: list[str] = []
        self.feed(html)
        self.close()
        self.faults += [f"never closed: {tag}" for tag in self.open]
        self.faults += [f"field without label: {name}" for name in self.fields - self.labelled]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self._said).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._look(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._look(tag, attrs)
        if tag not in SELF_CLOSED_IN_SVG:
            self.faults.append(f"closes itself and may not: {tag}")

    def _look(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        given = dict(attrs)
        if len(names) != len(set(names)):
            self.faults.append(f"attribute given twice: {tag} {names}")
        if "style" in given or tag in ("script", "style") or any(name.startswith("on") for name in names):
            self.faults.append(f"inline style or script: {tag} {attrs}")
        if (key := given.get("id")) is not None:
            if key in self.ids:
                self.faults.append(f"id used twice: {key}")
            self.ids.add(key)
        if tag == "label":
            self.labelled.add(given.get("for") or "")
        if tag in ("input", "select") and given.get("type") != "hidden":
            self.fields.add(given.get("id") or f"{tag} without id")
        if tag == "img" and not {"alt", "width", "height"} <= given.keys():
            self.faults.append(f"picture without alt, width or height: {attrs}")
        if tag == "a":
            self.links.append(given.get("href") or "")
        if tag in ("h1", "h2", "h3"):
            self.headings.append(int(tag[1]))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"closes out of order: {tag}, open: {self.open[-3:]}")
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        self._said.append(data)


def shown(client: httpx.Client, address: str, status: int = 200) -> Outline:
    answer = client.get(address)
    assert answer.status_code == status, f"{address}: {answer.status_code} {answer.text[:300]}"
    assert answer.headers["content-type"].startswith("text/html")
    page = Outline(answer.text)
    assert page.faults == [], address
    return page
