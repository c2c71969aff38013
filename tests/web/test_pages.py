"""Pages of the running service, as a browser without scripts gets them."""

from __future__ import annotations

import hashlib
from urllib.parse import urlsplit

import httpx
import pytest

from service.access.rules import Role
from service.settings import Settings
from tests.live_service import Running
from tests.web.scene import HOSTILE, Pages, Scene, addresses
from tests.web.wellformed import Outline, shown


@pytest.mark.parametrize("role", list(Role))
def test_every_role_sees_every_page_well_formed(role: Role, scene: Scene, pages: Pages) -> None:
    client = pages([role])
    for address in addresses(scene):
        page = shown(client, address)
        assert page.headings[0] == 1
        assert page.headings.count(1) == 1


def test_a_page_takes_nothing_from_elsewhere_but_pictures_from_the_store(
    scene: Scene, pages: Pages, service_settings: Settings
) -> None:
    client = pages([Role.AUDITOR])
    store = urlsplit(service_settings.s3_public)
    for address in addresses(scene):
        policy = client.get(address).headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert f"img-src 'self' {store.scheme}://{store.netloc}" in policy
        assert "unsafe" not in policy
    assert client.get("/static/page.css").headers["content-type"].startswith("text/css")


def test_static_files_need_no_session_and_nothing_else_is_served(service: Running) -> None:
    nobody = service.client()
    assert nobody.get("/static/page.css").status_code == 200
    for path in ("/static/../routes.py", "/static/%2e%2e/routes.py", "/static/..%2froutes.py"):
        assert nobody.get(path).status_code in (401, 404)


ODD_NAMES = [
    "page.css%00", "%00", "page.css%00.svg", "page.css/x", "%2e", "..%2f..%2froutes.py",
    "%ff%fe", "page.css%0a", "%5c..%5croutes.py", "x" * 5000, "PAGE.CSS", "static", "~", "page.css;x",
]  # fmt: skip


@pytest.mark.parametrize("name", ODD_NAMES)
def test_odd_names_of_static_files_are_not_found(service: Running, name: str) -> None:
    answer = service.client().get(f"/static/{name}")
    assert answer.status_code in (400, 401, 404), answer.text[:200]


def test_static_files_are_kept_by_browsers_and_asked_after(service: Running) -> None:
    first = service.client().get("/static/page.css")
    assert first.headers["cache-control"] == "public, max-age=3600"
    again = service.client().get("/static/page.css", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert service.client().get("/static/icon.svg").headers["content-type"].startswith("image/svg+xml")


def test_another_site_sees_nothing_of_this_one(scene: Scene, pages: Pages) -> None:
    stranger = pages([Role.ENGINEER], [scene.fleet.other_site])
    digest = scene.first.digest
    for address in (
        f"/units/{scene.worked}",
        f"/units/{scene.worked}/images/{digest}",
        f"/images/{digest}/thumbnail",
        f"/images/{digest}/original",
    ):
        shown(stranger, address, 404)
    shown(stranger, f"/campaigns/{scene.campaign}?site={scene.fleet.site}", 403)
    shown(stranger, f"/?site={scene.fleet.site}", 403)
    assert scene.worked not in shown(stranger, f"/units?find={scene.fleet.name}").text
    assert scene.worked not in shown(stranger, f"/campaigns/{scene.campaign}").text
    assert scene.fleet.site not in shown(stranger, "/").text


def test_an_image_is_shown_only_under_a_unit_where_it_stood(scene: Scene, pages: Pages) -> None:
    shown(pages([Role.AUDITOR]), f"/units/{scene.untouched}/images/{scene.first.digest}", 404)


def test_i11_four_different_things_are_worded_differently(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    text = shown(client, f"/units/{scene.worked}").text
    assert "not applicable to build X" in text
    assert "not inspected : access port cannot be opened" in text
    assert "nothing recordable" in text
    assert "30 of 2" in text
    assert "too few" not in text
    untouched = shown(client, f"/units/{scene.untouched}").text
    assert untouched.count("no data: nothing stated, no picture") == 3
    assert "No data: no image of this unit has come in." in untouched
    assert "That does not mean that nothing was found." in untouched
    assert "nothing recordable" not in untouched.split("Images")[0]
    assert "not applicable to build" not in shown(client, f"/units/{scene.other_build}").text


def test_no_data_is_said_of_an_inspection_without_statement_and_picture(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    text = shown(client, f"/campaigns/{scene.campaign}?site={scene.fleet.site}").text
    worked, untouched = (text.split(serial)[1] for serial in (scene.worked, scene.untouched))
    assert "no data yet" in untouched.split(scene.other_build)[0]
    assert "no data yet" not in worked.split(scene.untouched)[0]
    elsewhere = shown(client, f"/?site={scene.fleet.other_site}&campaign={scene.campaign}").text
    assert "no data yet" in elsewhere
    assert "0 of 183" in elsewhere


def test_i4_a_conflict_shows_both_statements_with_who_and_when(scene: Scene, pages: Pages) -> None:
    text = shown(pages([Role.AUDITOR]), f"/units/{scene.worked}").text
    conflict = text.split("In conflict: 2 statements stand side by side.")[1][:700]
    assert "Ines Marrow" in conflict
    assert "Bo Tarrant" in conflict
    assert conflict.count("stated 20 Nov 2026 08:12:03 GMT") == 2


def test_i9_four_clocks_are_shown_as_read(scene: Scene, pages: Pages) -> None:
    text = shown(pages([Role.AUDITOR]), f"/units/{scene.worked}/images/{scene.first.digest}").text
    assert "2026:11:20 09:12:03 +01:00 as read from Exif" in text
    assert "2026-11-20T09:12:04 as read, zone unknown" in text
    assert "2026-11-20 17:12:03 UTC , when the card was read" in text
    assert "2026-11-20 17:13:03 UTC , when it came in" in text
    assert f"SHA-256 {scene.first.digest}" in text
    assert "sha256sum FILE" in text


def test_times_are_in_the_sites_zone_with_utc_beside(scene: Scene, pages: Pages) -> None:
    page = pages([Role.AUDITOR]).get(f"/units/{scene.worked}").text
    assert 'title="2026-11-20 08:12:33 UTC">20 Nov 2026 08:12:33 GMT</time>' in page


def test_hostile_names_and_notes_are_shown_and_do_nothing(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    for address in addresses(scene):
        html = client.get(address).text
        assert HOSTILE not in html
        assert "\u202e" not in html
        assert "\u2028" not in html
    odd = shown(client, f"/units/{scene.worked}/images/{scene.pictures[1].digest}").text
    assert "\\u{202E}gpj.exe\\u{2028}<script>alert(1)</script>\"'>.JPG" in odd
    assert "Name, byte for byte 44 43 49 4d 2f e2 80 ae" in odd
    listed = shown(client, f"/units/{scene.worked}").text
    assert listed.count(HOSTILE) > 3


def test_i13_every_page_says_what_the_tool_never_says(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    for address in [*addresses(scene), "/sign-in"]:
        said = shown(client, address).text
        assert "It never says that plant is safe, isolated or fit for service" in said


def test_a_thumbnail_comes_from_the_store_or_says_that_there_is_none(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    seen, odd, plain = (scene.pictures[n].digest for n in (0, 1, 2))
    sent = client.get(f"/images/{seen}/thumbnail")
    assert sent.status_code == 303
    small = httpx.get(sent.headers["location"], trust_env=False, timeout=30)
    assert small.content[:3] == b"\xff\xd8\xff"
    for digest, words in ((odd, "not an image"), (plain, "no preview")):
        answer = client.get(f"/images/{digest}/thumbnail")
        assert answer.status_code == 303
        placeholder = client.get(answer.headers["location"])
        assert placeholder.headers["content-type"].startswith("image/svg")
        assert f">{words}</text>" in placeholder.text


def test_the_original_comes_from_the_store_byte_for_byte(scene: Scene, pages: Pages) -> None:
    sent = pages([Role.AUDITOR]).get(f"/images/{scene.first.digest}/original")
    assert sent.status_code == 303
    original = httpx.get(sent.headers["location"], trust_env=False, timeout=30).content
    assert hashlib.sha256(original).hexdigest() == scene.first.digest


def follow(client: httpx.Client, address: str, words: str) -> list[str]:
    """The pages from `address` on, following the link that says `words`."""
    pages = []
    while True:
        html = client.get(address).text
        pages.append(html)
        before, found, _ = html.partition(f">{words}</a>")
        if not found:
            return pages
        link = before.rpartition('href="')[2].partition('"')[0].replace("&amp;", "&").partition("#")[0]
        address = address.partition("?")[0] + link


def test_all_units_are_reached_once_page_by_page(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    read = follow(client, f"/campaigns/{scene.campaign}", "Further units")
    assert len(read) == 2
    listed = [
        link.rpartition("/")[2] for html in read for link in Outline(html).links if link.startswith("/units/")
    ]
    assert listed == sorted(set(listed))
    assert len(listed) == 64


def test_all_images_are_reached_once_the_newest_first(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    read = follow(client, f"/units/{scene.worked}", "Older images")
    assert len(read) == 2
    order = [digest for html in read for digest in digests_in(html)]
    expected = sorted(scene.pictures, key=lambda picture: picture.taken, reverse=True)
    assert order == [picture.digest for picture in expected]


def digests_in(html: str) -> list[str]:
    links = [link for link in Outline(html).links if "/images/" in link]
    return list(dict.fromkeys(link.rpartition("/")[2] for link in links))


def test_images_are_filtered_by_what_is_known_of_them(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    at = f"/units/{scene.worked}"
    assert digests_in(client.get(f"{at}?location=A&element=30").text) == [scene.first.digest]
    assert digests_in(client.get(f"{at}?condition=gear_damage_1995:1.1.2").text) == [scene.first.digest]
    assert digests_in(client.get(f"{at}?evaluation=nothing_recordable").text) == [scene.first.digest]
    assert digests_in(client.get(f"{at}?until=2026-11-19").text) == []
    assert len(digests_in(client.get(f"{at}?since=2026-11-20&until=2026-11-20").text)) == 24
    assert "No image fits the choice." in client.get(f"{at}?location=B").text


@pytest.mark.parametrize(
    "query",
    ["element=0", "element=x", "since=yesterday", "until=0001-01-01", "cursor=!", "location=" + "x" * 300],
)
def test_a_field_that_cannot_be_read_is_refused_in_words(query: str, scene: Scene, pages: Pages) -> None:
    page = shown(pages([Role.AUDITOR]), f"/units/{scene.worked}?{query}", 400)
    for words in ("What happened", "What it means", "Nothing was changed.", "What to do"):
        assert words in page.text


def test_i12_a_unit_is_picked_from_known_serials(scene: Scene, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    found = shown(client, f"/units?find={scene.worked[-8:].lower()}")
    assert f"/units/{scene.worked}" in found.links
    assert "No known serial number contains %" in shown(client, "/units?find=%25").text
    wrong = shown(client, f"/units/{scene.worked[:-1]}X", 404)
    alike = {link.removeprefix("/units/") for link in wrong.links if link.startswith("/units/")}
    assert alike
    assert alike <= set(scene.fleet.made)


def test_who_is_not_signed_in_is_sent_to_sign_in_and_back(scene: Scene, service: Running) -> None:
    nobody = service.client()
    nobody.headers["Accept"] = "text/html"
    answer = nobody.get(f"/units/{scene.worked}?location=A")
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/sign-in?next=%2Funits%2F{scene.worked}%3Flocation%3DA"


def test_programs_get_problem_details_where_browsers_get_pages(scene: Scene, service: Running) -> None:
    nobody = service.client()
    for headers in ({"Accept": "application/json"}, {"Accept": "*/*"}):
        answer = nobody.get(f"/units/{scene.worked}", headers=headers)
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
    in_api = nobody.get("/api/v1/sites", headers={"Accept": "text/html"})
    assert in_api.headers["content-type"] == "application/problem+json"


def test_a_path_that_does_not_exist_is_a_page(pages: Pages) -> None:
    assert "Not Found" in shown(pages([Role.AUDITOR]), "/no-such-page", 404).text
