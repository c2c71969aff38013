"""Sites, types, units and campaigns from CSV files: good lines are taken, refused ones named, again changes
nothing."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from service.commands.lines import Taken, read_lines
from service.commands.sites import SiteLine
from service.commands.units import UnitLine
from service.settings import Settings
from tests.commands.in_process import sightledger
from tests.live_service import execute

PASSWORD = "a long password"
Written = Callable[[str, str], str]


@pytest.fixture(scope="module")
def settings(service_settings: Settings, module_database_url: str) -> Settings:
    return replace(service_settings, database_url=module_database_url)


@pytest.fixture
def written(tmp_path: Path) -> Written:
    def write(name: str, text: str) -> str:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return str(tmp_path / name)

    return write


def table(settings: Settings, query: str) -> list[tuple[str, ...]]:
    return [tuple(map(str, row)) for row in execute(settings, query)]


def test_sites_types_and_units_are_imported_line_by_line(settings: Settings, written: Written) -> None:
    sites = written(
        "sites.csv",
        "\ufeffCode;Name;Kind;Time_Zone\nAAA;First;works;Europe/Dublin\n\nBBB;Second;works;Europe/Atlantis\n"
        "C C;Third;works;Europe/Dublin\nDDD;;works;Europe/Dublin\nEEE;Fifth;works\n",
    )
    done = sightledger(settings, "site", "import", sites)
    assert done.returncode == 1
    assert done.stdout == "sites: 1 recorded, 0 there already, 4 refused\n"
    assert [line.partition(":")[0] for line in done.stderr.splitlines()[:4]] == [
        "line 4", "line 5", "line 6", "line 7",
    ]  # fmt: skip
    for said in ("Europe/Atlantis is no time zone", "code 'C C'", "name is not given", "3 cells"):
        assert said in done.stderr
    assert table(settings, "SELECT code, name FROM sites") == [("AAA", "First")]

    types = written("types.csv", "code,name,build,build_name\nT1,Type one,B1,plain\nT1,Type one,B2,bent\n")
    assert sightledger(settings, "type", "import", types).stdout.startswith("builds: 2 recorded, 0 there")
    torn = written("torn.csv", "code,name,build,build_name\nT1,Other name,B3,x\nT1,Type one,B1,other\n")
    done = sightledger(settings, "type", "import", torn)
    assert (done.returncode, "0 recorded, 0 there already, 2 refused" in done.stdout) == (1, True)
    assert "Type one" in done.stderr
    assert "plain" in done.stderr

    units = written(
        "units.csv",
        'serial,type,build,site,since,position\nU-1,T1,B1,AAA,2026-01-01,"row 1, bay 2"\n'
        "U-2,T1,B9,AAA,2026-01-01,\nU-3,T1,B2,ZZZ,2026-01-01,\nU-4,T1,B2,AAA,1 May,\n"
        "U-5,T1,B2,AAA,2026-01-02,\n",
    )
    for counts in ("2 recorded, 0 there already, 3 refused", "0 recorded, 2 there already, 3 refused"):
        done = sightledger(settings, "unit", "import", units)
        assert (done.returncode, done.stdout) == (1, f"units: {counts}\n")
        assert "since '1 May' is no date" in done.stderr
        assert "Traceback" not in done.stderr
    assert table(settings, "SELECT serial, position FROM units ORDER BY serial") == [
        ("U-1", "row 1, bay 2"), ("U-5", "None"),
    ]  # fmt: skip
    moved = written("moved.csv", "serial,type,build,site,since\nU-1,T1,B1,AAA,2026-02-01\n")
    done = sightledger(settings, "unit", "import", moved)
    assert (done.returncode, "since 2026-01-01 at AAA (row 1, bay 2)" in done.stderr) == (1, True)


def test_people_are_entered_line_by_line_and_nobody_is_taken_off(
    settings: Settings, written: Written
) -> None:
    site = ("site", "add", "PPL", "--name", "P", "--kind", "works", "--time-zone", "Europe/Dublin")
    assert sightledger(settings, *site).returncode == 0
    assert "register of PPL." in sightledger(settings, "person", "add", "Q. First", "--site", "PPL").stderr
    people = written("people.csv", "site,name\nPPL,R. Second\nPPL,q. first\nXXX,R. Second\nPPL,Q. First\n")
    for counts in ("1 recorded, 1 there already, 2 refused", "0 recorded, 2 there already, 2 refused"):
        done = sightledger(settings, "person", "import", people)
        assert (done.returncode, done.stdout) == (1, f"people: {counts}\n")
        assert "line 3: 'q. first' and 'Q. First' cannot be told apart." in done.stderr
        assert "line 4: There is no site XXX." in done.stderr
    assert table(settings, "SELECT name FROM site_people ORDER BY name") == [("Q. First",), ("R. Second",)]


def test_the_card_profile_of_a_site_stays_when_something_else_is_changed(settings: Settings) -> None:
    words = ("site", "add", "PRF", "--kind", "works", "--time-zone", "Europe/Dublin", "--name")
    assert sightledger(settings, *words, "One", "--card-profile", "two-level").returncode == 0
    assert sightledger(settings, *words, "Two", "--change").returncode == 0
    assert table(settings, "SELECT name, card_profile FROM sites WHERE code = 'PRF'") == [
        ("Two", "two-level")
    ]


def test_a_site_is_changed_only_when_that_is_said(settings: Settings, written: Written) -> None:
    words = ("site", "add", "CHG", "--kind", "works", "--time-zone", "Europe/Dublin", "--name")
    assert sightledger(settings, *words, "One").returncode == 0
    refused = sightledger(settings, *words, "Two")
    assert (refused.returncode, "recorded as One" in refused.stderr) == (1, True)
    assert sightledger(settings, *words, "Two", "--change").returncode == 0
    assert table(settings, "SELECT name FROM sites WHERE code = 'CHG'") == [("Two",)]
    by = "SELECT e.kind, by_account_id FROM access_events e JOIN sites s ON s.id = e.site_id"
    assert sorted(table(settings, f"{by} WHERE s.code = 'CHG'")) == [
        ("site_changed", "None"),
        ("site_made", "None"),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("code,name,kind\nA,B,C\n", "time_zone lacks"),
        ("code,name,kind,time_zone,colour\n", "no column 'colour'"),
        ("code,name,kind,time_zone,code\n", "code stands twice"),
        ("", "lacks"),
    ],
)
def test_a_header_that_does_not_fit_is_refused_whole(
    settings: Settings, written: Written, text: str, said: str
) -> None:
    before = table(settings, "SELECT code FROM sites")
    done = sightledger(settings, "site", "import", written("sites.csv", text))
    assert (done.returncode, done.stdout) == (1, "")
    assert said in done.stderr
    assert "code,name,kind,time_zone" in done.stderr
    assert table(settings, "SELECT code FROM sites") == before


def test_what_is_no_csv_in_utf_8_is_said(settings: Settings, tmp_path: Path) -> None:
    file = tmp_path / "sites.csv"
    missing = sightledger(settings, "site", "import", str(file))
    assert (missing.returncode, "cannot be read" in missing.stderr) == (2, True)
    file.write_bytes("code,name,kind,time_zone\nLAT,Skövde,works,Europe/Stockholm\n".encode("latin-1"))
    latin = sightledger(settings, "site", "import", str(file))
    assert (latin.returncode, "not UTF-8 at line 2" in latin.stderr) == (1, True)
    file.write_text('code,name,kind,time_zone\nOPN,Open,works,Europe/Dublin\nBAD,"never closed,works\n')
    torn = sightledger(settings, "site", "import", str(file))
    assert (torn.returncode, "line 3: the CSV is broken" in torn.stderr) == (1, True)
    assert table(settings, "SELECT name FROM sites WHERE code = 'OPN'") == [("Open",)]


def test_a_plan_is_published_by_two_people_and_a_campaign_names_who_opened_it(
    settings: Settings, written: Written, tmp_path: Path
) -> None:
    """From nothing to an open campaign by commands alone."""
    first = Path(__file__).parents[2] / "seed" / "first"
    password = tmp_path / "password"
    password.write_text(PASSWORD + "\n")

    def command(*words: str) -> tuple[int, str]:
        done = sightledger(settings, *words)
        assert "Traceback" not in done.stderr
        return done.returncode, done.stdout + done.stderr

    def as_(login: str) -> tuple[str, ...]:
        return "--as", login, "--password-file", str(password)

    for noun in ("site", "type", "unit"):
        assert command(noun, "import", str(first / f"{noun}s.csv"))[0] == 0
    for login, roles in (("author", ["author", "approver", "manager"]), ("second", ["approver"])):
        given = [word for role in roles for word in ("--role", role)]
        name = ("account", "add", login, "--name", f"The {login}", "--password-file", str(password))
        assert command(*name, *given)[0] == 0
    plan = str(first / "plan.yaml")
    opened = ("campaign", "import", str(first / "campaign.csv"), *as_("author"))
    for _ in range(2):
        status, said = command("plan", "submit", plan, *as_("author"))
        assert (status, "in review" in said) == (0, True)
    status, said = command("plan", "publish", "FIRST-LOOK", "A", *as_("second"))
    assert (status, "plan approve FIRST-LOOK A" in said) == (1, True)
    status, said = command("plan", "approve", "FIRST-LOOK", "A", *as_("author"))
    assert (status, "author of a revision cannot approve it" in said) == (1, True)
    status, said = command(*opened)
    assert (status, "0 recorded, 0 there already, 3 refused" in said) == (1, True)
    for verb in ("approve", "approve", "publish", "publish"):
        assert command("plan", verb, "FIRST-LOOK", "A", *as_("second"))[0] == 0
    kinds = "SELECT kind, name FROM revision_events e JOIN accounts a ON a.id = e.account_id"
    assert table(settings, f"{kinds} ORDER BY recorded_at") == [
        ("submitted", "The author"), ("approved", "The second"), ("published", "The second"),
    ]  # fmt: skip

    assert command(*opened)[0] == 0
    assert "0 recorded, 3 there already" in command(*opened)[1]
    more = written(
        "more.csv",
        "name,plan,opens,closes,unit\nFirst look (invented),FIRST-LOOK,2026-01-01,2036-12-31,NO-SUCH\n"
        "First look (invented),FIRST-LOOK,2026-01-02,2036-12-31,KG30401-E\n"
        "Second look,FIRST-LOOK,2026-01-01,2036-12-31,KG30401-E\n"
        "Second look,FIRST-LOOK,2026-01-01,2036-12-31,KG30401-E\n",
    )
    status, said = command("campaign", "import", more, *as_("author"))
    assert (status, "1 recorded, 1 there already, 2 refused" in said) == (1, True)
    assert "line 2: " in said
    assert "NO-SUCH" in said
    assert "line 3: " in said
    named = "SELECT c.name, a.name FROM campaigns c JOIN accounts a ON a.id = c.created_by ORDER BY 1"
    assert table(settings, named) == [
        ("First look (invented)", "The author"), ("Second look", "The author"),
    ]  # fmt: skip
    bound = "SELECT count(*), count(DISTINCT unit_id) FROM inspections"
    assert table(settings, bound) == [("4", "3")]
    assert table(settings, "SELECT count(*) FROM tokens WHERE revoked_at IS NULL") == [("0",)]


def test_whoever_does_not_know_the_password_does_nothing(settings: Settings) -> None:
    made = ("account", "add", "keeper", "--name", "K", "--role", "manager", "--password-stdin")
    assert sightledger(settings, *made, stdin=PASSWORD + "\n").returncode == 0
    words = ("campaign", "add", "Mine", "--plan", "P", "--opens", "2026-01-01", "--closes", "2026-02-01")
    done = sightledger(
        settings, *words, "--unit", "U-1", "--as", "keeper", "--password-stdin", stdin="another word\n"
    )
    assert (done.returncode, "do not fit" in done.stderr) == (1, True)
    assert table(settings, "SELECT count(*) FROM campaigns WHERE name = 'Mine'") == [("0",)]


@given(st.text(max_size=300), st.booleans())
def test_no_text_makes_reading_lines_fail(
    tmp_path_factory: pytest.TempPathFactory, text: str, head: bool
) -> None:
    """Every line that is not blank is a record or a refusal, whatever stands in the file."""
    file = tmp_path_factory.mktemp("csv") / "any.csv"
    raw = ("serial,type,build,site,since\n" if head else "") + text
    file.write_bytes(raw.encode("utf-8", "surrogatepass"))
    taken = Taken()
    try:
        records = list(read_lines(file, UnitLine, taken))
    except typer.Exit:
        return
    numbers = [line.number for line in records] + [number for number, _ in taken.refused]
    assert len(numbers) == len(set(numbers))
    assert all(2 <= number <= raw.count("\n") + raw.count("\r") + 1 for number in numbers)


NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=30).map(str.strip)


@given(st.lists(st.tuples(NAMES.filter(bool), NAMES.filter(bool)), max_size=8), st.sampled_from([",", ";"]))
def test_what_a_spreadsheet_writes_is_read_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]], separator: str
) -> None:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(["code", "name", "kind", "time_zone"])
    for number, (name, kind) in enumerate(rows):
        writer.writerow([f"S{number}", name, kind, "Europe/Dublin"])
    file = tmp_path_factory.mktemp("csv") / "sites.csv"
    file.write_bytes(out.getvalue().encode("utf-8-sig"))
    taken = Taken()
    read = [msgspec.structs.asdict(line.record) for line in read_lines(file, SiteLine, taken)]
    assert taken.refused == []
    assert [(row["name"], row["kind"]) for row in read] == rows
