"""A small plan document to write, spoil and compare."""

from __future__ import annotations

import msgspec

from service.contract.plan_document import PlanDocument

PLAN = """\
format: sightledger-plan/1
plan: P-1
title: A plan for tests
revision: A
equipmentType: T1
builds: [X, Y]
invented: true
evaluationScale:
  - {code: sound, word: nothing recordable, rank: 0, requires: nothing}
  - {code: refer, word: refer to engineering, rank: 1, requires: engineering}
cautions: [ISOL]
sections:
  - key: S1
    name: General
    locations:
      - key: RING
        name: Ring gear
        component: ring gear
        accessPort: P2
        view: looking downwind
        element:
          kind: tooth
          count: 102
          startReference: stamped zero
          countDirection: CW looking downwind
        pictures:
          perElementGroup: 1
          elementsPerPicture: 3
          required: 34
        conditions: ["gear_damage_2022:micropitting", "gear_damage_2022:macropitting"]
        limits:
          - {condition: "gear_damage_2022:macropitting", quantity: size, unit: mm, accept: 1.0, refer: 3.0}
        cautions: [TURN]
        builds: [X, Y]
      - key: SUMP
        name: Sump
        component: lubrication
        view: down
        pictures: {required: 4}
        builds: [X]
"""


def document() -> PlanDocument:
    import yaml

    return msgspec.convert(yaml.safe_load(PLAN), PlanDocument)


def line_of(text: str, part: str) -> int:
    """The line, from 1, in which `part` stands for the first time."""
    return text[: text.index(part)].count("\n") + 1
