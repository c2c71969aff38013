"""The threat model names a test for each case, and each of them is there."""

from __future__ import annotations

import re

from tests.live_service import ROOT

THREATS = ROOT / "deploy" / "THREATS.md"
CASE = re.compile(
    r"^\| (?!tries)(?!---)[^|]+ \| [^|]+ \| `(?P<file>tests/[^`:]+)::(?P<test>\w+)` \|$", re.MULTILINE
)


def test_each_case_of_the_threat_model_has_a_test_that_is_there() -> None:
    text = THREATS.read_text()
    cases = text.partition("## Cases")[2].partition("## What is left")[0]
    rows = [line for line in cases.splitlines() if line.startswith("| ") and not line.startswith("| tries")]
    named = list(CASE.finditer(cases))
    assert len(named) == len(rows) > 25
    for case in named:
        source = (ROOT / case["file"]).read_text()
        assert re.search(rf"^(?:async )?def {case['test']}\(", source, re.MULTILINE), case["test"]
