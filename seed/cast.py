"""Who plays in the demo: accounts of the invented people, and the cards they fill."""

from __future__ import annotations

from dataclasses import dataclass, field

from seed.scope import Seen


@dataclass(frozen=True)
class Person:
    """A throw-away account. `sites` None: every site."""

    login: str
    name: str
    roles: tuple[str, ...]
    sites: tuple[str, ...] | None = None


PEOPLE = (
    Person("admin", "Site administration", ("administrator",)),
    Person("quennell", "R. Quennell", ("author", "approver", "shift_lead")),
    Person("aldous", "M. Aldous", ("approver",)),
    Person("idowu", "C. Idowu", ("manager",)),
    Person("stenhouse", "G. Stenhouse", ("engineer",)),
    Person("fairlamb", "E. Fairlamb", ("auditor",)),
    Person("whitlow", "S. Whitlow", ("inspector",), ("SKB",)),
    Person("pryce-hart", "D. Pryce-Hart", ("inspector", "shift_lead"), ("SKB",)),
    Person("obrador", "T. Obrador", ("inspector",), ("VLR",)),
    Person("vanterpool", "L. Vanterpool", ("inspector",), ("KFL",)),
    Person("marrawuy", "A. Marrawuy", ("inspector",), ("JRG",)),
)

# The part of the fleet that the demo opens; `seed --full` opens all of it.
DEMO_UNITS = (
    "KG30401-E",
    "KG30402-M",
    "KG30406-T",
    "KG30410-D",
    "KG30413-B",
    "KG30414-J",
    "KG30420-K",
    "KG30422-A",
    "LT400425-K",
    "LT400426-U",
    "LT400428-L",
    "LT400429-V",
)


@dataclass(frozen=True)
class FilledCard:
    """One card: prepared for a unit, filled at these locations. `seen` maps a location to what is seen
    in which of its pictures; `odd` adds a truncated and an empty file, as cards do bring back. `profile`
    None: that of the site."""

    name: str
    site: str
    serial: str
    scope: str
    person: str
    shift: str
    locations: tuple[str, ...]
    profile: str | None = None
    seen: dict[str, dict[int, Seen]] = field(default_factory=dict)
    odd: bool = False


EARLY = (
    "KG.GEN.ID",
    "KG.GEN.RES",
    "KG.GEN.SUMP",
    "KG.GEN.JET",
    "KG.1.RING",
    "KG.1.PL1",
    "KG.1.PL2",
    "KG.1.PL3",
    "KG.1.SUN",
    "KG.1.PL1-A",
    "KG.1.PL1-B",
    "KG.1.PL2-A",
)

CARDS = (
    FilledCard(
        "SKB-card-1",
        "SKB",
        "KG30401-E",
        "VS-01",
        "S. Whitlow",
        "day",
        EARLY,
        seen={
            "KG.1.RING": {6: Seen("gear_damage_2022:micropitting", "within_limits")},
            "KG.1.SUN": {4: Seen("gear_damage_2022:macropitting", "refer")},
        },
    ),
    # The second shift takes all the rest, on another card.
    FilledCard(
        "SKB-card-2",
        "SKB",
        "KG30401-E",
        "VS-01",
        "D. Pryce-Hart",
        "night",
        ("*", *EARLY),
        seen={"KG.2.PIN": {3: Seen("gear_damage_2022:scuffing", "watch")}},
    ),
    FilledCard(
        "SKB-card-3", "SKB", "KG30406-T", "VS-01", "S. Whitlow", "day", ("KG.GEN.ID", "KG.1.SUN", "KG.2.PIN")
    ),
    FilledCard(
        "VLR-card-1",
        "VLR",
        "KG30413-B",
        "VS-02",
        "T. Obrador",
        "day",
        ("KG.GEN.ID", "KG.GEN.RES", "KG.1.SUN", "KG.1.PL1-A"),
        seen={"KG.1.PL1-A": {2: Seen("bearing_damage:5.5-par", "within_limits")}},
    ),
    FilledCard(
        "VLR-card-2",
        "VLR",
        "KG30414-J",
        "VS-02",
        "T. Obrador",
        "day",
        ("KG.GEN.ID", "KG.GEN.RES"),
        "flat-dcf",
    ),
    FilledCard(
        "KFL-card-1",
        "KFL",
        "KG30420-K",
        "VS-03",
        "L. Vanterpool",
        "day",
        ("KG.GEN.ID", "KG.GEN.RES", "KG.GEN.SUMP", "KG.2.PIN"),
    ),
    FilledCard(
        "ORM-card-1",
        "ORM",
        "LT400426-U",
        "VS-04",
        "R. Quennell",
        "day",
        ("GT.GEN.ID", "GT.GEN.RES", "GT.K.ANN"),
        seen={"GT.K.ANN": {9: Seen("gas_path_condition:coating_loss", "refer")}},
    ),
    FilledCard(
        "JRG-card-1",
        "JRG",
        "LT400428-L",
        "VS-05",
        "A. Marrawuy",
        "day",
        ("GT.GEN.ID", "GT.GEN.RES", "GT.K.CAN04"),
        seen={"GT.K.CAN04": {3: Seen("gas_path_condition:crack", "beyond_limits")}},
        odd=True,
    ),
)
