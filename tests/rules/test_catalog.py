"""The rule files hold together, and a file that does not is refused with its name and the place of the fault."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import quietcuff.rules
from quietcuff.core.model.errors import RulesNotLoadable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

FOLDER = Path(quietcuff.rules.__file__).parent


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    """A copy of the rule files, to be broken."""
    folder = tmp_path / "rules"
    shutil.copytree(FOLDER, folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    return folder


def swap(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new, 1), "utf-8")


def test_an_untouched_copy_loads_to_the_same_rules(rules: Path, rulebook: Rulebook) -> None:
    assert load_rulebook(rules) == rulebook


BROKEN = [
    (
        "unknown field",
        "guidelines/esh-2023.toml",
        'family = "esh"',
        'family = "esh"\ncolour = "red"',
        ["esh-2023.toml", "colour"],
    ),
    (
        "unknown field in a row",
        "guidelines/esh-2023.toml",
        'basis = "',
        'tint = "x"\nbasis = "',
        ["esh-2023.toml", "tint", "$.rows[0]"],
    ),
    ("source left out", "guidelines/canada-2025.toml", 'source = ["HC25"]', "", ["canada-2025.toml", "source"]),
    (
        "source left out of a row",
        "guidelines/nice-2019.toml",
        'source = ["NICE", "GPN"]',
        "",
        ["nice-2019.toml", "source", "$.rows[2]"],
    ),
    ("empty list of sources", "guidelines/canada-2025.toml", 'source = ["HC25"]', "source = []", ["canada-2025"]),
    (
        "source that is not there",
        "guidelines/jsh-2019.toml",
        '["JSH19-GRADES"]',
        '["NOWHERE"]',
        ["jsh-2019", "rows/3", "NOWHERE"],
    ),
    (
        "edges that fall",
        "guidelines/esc-2024.toml",
        "systolic_mmhg = 120",
        "systolic_mmhg = 141",
        ["esc-2024.toml", "rows[2].systolic_mmhg"],
    ),
    (
        "edges that meet",
        "guidelines/esh-2023.toml",
        "diastolic_mmhg = 85",
        "diastolic_mmhg = 90",
        ["esh-2023.toml", "rows[3].diastolic_mmhg"],
    ),
    (
        "lowest row with an edge",
        "guidelines/ish-2020.toml",
        'label = "Normal range"',
        'label = "Normal range"\nsystolic_mmhg = 90',
        ["ish-2020.toml", "rows[0]"],
    ),
    (
        "category named twice",
        "guidelines/jsh-2019.toml",
        'category = "grade-2"',
        'category = "grade-1"',
        ["jsh-2019.toml", "twice"],
    ),
    (
        "id that is not the file's name",
        "guidelines/nice-2019.toml",
        'id = "nice-2019"',
        'id = "nice-2020"',
        ["nice-2019.toml", "id"],
    ),
    (
        "protocol id that is not the file's name",
        "protocols/office-one-arm.toml",
        'id = "office-one-arm"',
        'id = "one-arm"',
        ["office-one-arm.toml", "id"],
    ),
    (
        "number as text",
        "guidelines/esc-2024.toml",
        "systolic_mmhg = 120",
        'systolic_mmhg = "120"',
        ["esc-2024.toml", "$.rows[1].systolic_mmhg"],
    ),
    (
        "kind that nobody tests",
        "protocols/office-esc-2024.toml",
        'kind = "neighbours-differ"',
        'kind = "when-told"',
        ["office-esc-2024.toml", "$.extra.kind"],
    ),
    (
        "more planned than most",
        "protocols/office-one-arm.toml",
        "planned = 2",
        "planned = 6",
        ["office-one-arm.toml", "planned"],
    ),
    (
        "minimum above planned",
        "protocols/office-canada-2025.toml",
        "minimum = 3",
        "minimum = 4",
        ["office-canada-2025.toml", "minimum"],
    ),
    ("difference left out", "protocols/office-nice-2019.toml", "mmhg = 10", "", ["office-nice-2019.toml", "extra.mmhg"]),
    (
        "stable pair without its rule",
        "protocols/office-jsh-2019.toml",
        'kind = "stable-pair"',
        'kind = "last-two-differ"',
        ["office-jsh-2019.toml", "stable-pair"],
    ),
    ("cuff sizes that overlap", "cuffs/adult-arm.toml", "from_cm = 27", "from_cm = 26", ["adult-arm.toml", "adult"]),
    ("limit without a source", "limits.toml", 'severe = ["PRACTICE", "DECISION"]\n', "", ["limits.toml", "severe"]),
    ("limit left out", "limits.toml", "postpartum_days = 42\n", "", ["limits.toml", "postpartum_days"]),
    (
        "default protocol that is not there",
        "defaults.toml",
        'protocol = "office-one-arm"',
        'protocol = "office-nobody"',
        ["defaults.toml", "follow_up"],
    ),
    ("default guideline that is not there", "defaults.toml", '["acog-2020"]', '["acog-1920"]', ["defaults.toml", "acog-1920"]),
    (
        "default cuff table that is not there",
        "defaults.toml",
        'cuffs = "adult-arm"',
        'cuffs = "other"',
        ["defaults.toml", "cuffs"],
    ),
    ("effect without wording", "wording.toml", "[finding.talking]", "[finding.speaking]", ["effects.toml", "talking"]),
    (
        "place without a name in a sentence",
        "wording.toml",
        "{minutes} minutes",
        "{} minutes",
        ["wording.toml", "rest-too-short"],
    ),
    ("severity that is none", "wording.toml", 'severity = "blocks"', 'severity = "grave"', ["wording.toml", "severity"]),
    ("mark that is none", "sources.toml", 'mark = "published"', 'mark = "sure"', ["sources.toml", "mark"]),
    ("not TOML", "effects.toml", "[talking]", "[talking", ["effects.toml"]),
]


@pytest.mark.parametrize(("file", "old", "new", "told"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN])
def test_a_broken_file_is_named_with_the_place(rules: Path, file: str, old: str, new: str, told: list[str]) -> None:
    swap(rules / file, old, new)
    with pytest.raises(RulesNotLoadable) as refusal:
        load_rulebook(rules)
    assert all(word in str(refusal.value) for word in told), str(refusal.value)


@pytest.mark.parametrize("file", ["limits.toml", "sources.toml", "wording.toml", "effects.toml", "defaults.toml"])
def test_a_missing_file_is_named(rules: Path, file: str) -> None:
    (rules / file).unlink()
    with pytest.raises(RulesNotLoadable, match=file):
        load_rulebook(rules)


def test_bytes_that_are_not_text_are_named(rules: Path) -> None:
    (rules / "effects.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(RulesNotLoadable, match=r"effects\.toml"):
        load_rulebook(rules)


def test_a_changed_file_changes_its_digest_and_the_rulebooks(rules: Path, rulebook: Rulebook) -> None:
    path = rules / "guidelines" / "esc-2024.toml"
    path.write_text(path.read_text("utf-8") + "\n", "utf-8")
    changed = load_rulebook(rules)
    moved = {name for name, digest in changed.digests.items() if digest != rulebook.digests[name]}
    assert moved == {"esc-2024"}
    assert changed.digest != rulebook.digest


def test_every_protocol_guideline_and_reference_is_there(rulebook: Rulebook) -> None:
    assert set(rulebook.protocols) == {
        *("office-both-arms", "office-one-arm", "office-unattended", "office-irregular-rhythm", "home-sitting"),
        *("office-aha-acc-2017", "office-aha-acc-2025", "office-esh-2023", "office-esc-2024", "office-ish-2020"),
        *("office-nice-2019", "office-jsh-2019", "office-canada-2025", "office-pregnancy", "office-aap-2017"),
        *("office-unattended-thirty-minutes", "survey-steps", "survey-nhanes", "orthostatic-standing", "home-seven-day"),
        *("ambulatory-24-hour", "ambulatory-24-hour-10-to-20", "ambulatory-nice-2019"),
    }
    assert set(rulebook.guidelines) == {
        *("aha-acc-2017", "aha-acc-2025", "esh-2023", "esc-2024", "ish-2020", "nice-2019", "jsh-2019", "canada-2025"),
        *("acog-2020", "nice-ng133-2019", "aap-2017", "fourth-report-2004", "orthostatic-2011"),
    }
    assert set(rulebook.heights) == {"cdc-2000-height"}
    assert set(rulebook.pressures) == {"nhbpep-2004-pressure"}


@pytest.mark.parametrize(
    ("guideline", "categories"),
    [
        ("aha-acc-2017", "normal elevated stage-1 stage-2"),
        ("aha-acc-2025", "normal elevated stage-1 stage-2 severe"),
        ("esh-2023", "optimal normal high-normal grade-1 grade-2 grade-3"),
        ("esc-2024", "non-elevated elevated hypertension"),
        ("ish-2020", "normal high-normal grade-1 grade-2"),
        ("nice-2019", "below-140-90 from-140-90 from-180-120"),
        ("jsh-2019", "normal high-normal elevated grade-1 grade-2 grade-3"),
        ("canada-2025", "not-hypertension hypertension"),
        ("acog-2020", "not-hypertension hypertension severe"),
        ("nice-ng133-2019", "not-hypertension hypertension severe"),
        ("fourth-report-2004", "normal prehypertension stage-1 stage-2"),
        ("orthostatic-2011", "not-met orthostatic-hypotension"),
        ("aap-2017", "normal elevated stage-1 stage-2"),
    ],
)
def test_category_codes_are_the_agreed_ones(guideline: str, categories: str, rulebook: Rulebook) -> None:
    assert [row.category for row in rulebook.guidelines[guideline].rows] == categories.split()


def test_what_is_from_memory_or_practice_is_marked_so(rulebook: Rulebook) -> None:
    marks = {key: source.mark for key, source in rulebook.sources.items()}
    assert marks["PRACTICE"] == "common-practice"
    assert marks["DECISION"] == "project-decision"
    assert {marks[key] for key in ("AHA25-SEVERE", "ESH21", "ESC24", "JSH19-GRADES", "AHA19", "AAP17-MEAN")} == {"memory"}
    assert {marks[key] for key in ("NICE", "RJC26", "ESC18", "BIHS19", "HC25", "ACOG767", "CW18")} == {"published"}


@pytest.mark.parametrize(
    ("effect", "direction", "systolic", "diastolic"),
    [
        ("caffeine", "raises", (3, 14), (2.1, 13)),
        ("tobacco", "raises", (2.81, 25), (2, 18)),
        ("full-bladder", "raises", (4.2, 33), (2.8, 18.5)),
        ("rest-too-short", "raises", (4.2, 11.6), (1.8, 4.3)),
        ("legs-crossed", "raises", (2.5, 14.89), (1.4, 10.81)),
        ("back-unsupported", "raises", None, (6.5, 6.5)),
        ("arm-unsupported", "raises", (4.87, 4.87), (2.7, 4.81)),
        ("arm-below-heart-level", "raises", (3.7, 23), (2.8, 12)),
        ("anxiety-or-stress", "either", (-12.7, 26.7), (-8.2, 21)),
        ("thick-sleeve", "either", None, None),
        ("device-not-validated", "either", (-3.7, 16.53), (-8, 9.71)),
        ("talking", "raises", (4, 19), (5, 14)),
    ],
)
def test_effect_sizes_are_the_published_ones(
    effect: str, direction: str, systolic: tuple[float, float] | None, diastolic: tuple[float, float] | None, rulebook: Rulebook
) -> None:
    found = rulebook.effects[effect]
    assert (found.direction, found.systolic_mmhg, found.diastolic_mmhg) == (direction, systolic, diastolic)
    assert "KALL" in found.source


def test_cuff_sizes_are_the_published_ones(rulebook: Rulebook) -> None:
    sizes = [(size.size, size.from_cm, size.to_cm) for size in rulebook.cuffs["adult-arm"].sizes]
    # Pickering 2005, recommended cuff sizes; the children's two from memory.
    children = [("infant", 6, 15), ("child", 16, 21)]
    adults = [("small-adult", 22, 26), ("adult", 27, 34), ("large-adult", 35, 44), ("extra-large-adult", 45, 52)]
    assert sizes == children + adults


def test_every_fault_of_every_file_is_told_at_once(rules: Path) -> None:
    swap(rules / "protocols/office-one-arm.toml", "planned = 2", 'planned = "two"\nspacing = 3')
    swap(rules / "protocols/office-esc-2024.toml", 'kind = "neighbours-differ"', 'kind = "when-told"')
    swap(rules / "limits.toml", "postpartum_days = 42\n", "")
    swap(rules / "effects.toml", "[talking]", "[talking")
    (rules / "defaults.toml").unlink()
    with pytest.raises(RulesNotLoadable) as refusal:
        load_rulebook(rules)
    told = str(refusal.value).splitlines()
    assert [line.partition(":")[0] for line in told] == [
        "office-esc-2024.toml", "office-one-arm.toml", "office-one-arm.toml", "effects.toml", "limits.toml", "defaults.toml",
    ]  # fmt: skip
    assert "Expected `int`, got `str` - at `$.planned`" in told[1] and "unknown field `spacing`" in told[2]


def test_every_fault_of_how_files_fit_is_told_at_once(rules: Path) -> None:
    swap(rules / "protocols/office-one-arm.toml", "planned = 2", "planned = 6")
    swap(rules / "protocols/office-nice-2019.toml", "mmhg = 10", "")
    swap(rules / "cuffs/adult-arm.toml", "from_cm = 27", "from_cm = 26")
    swap(rules / "defaults.toml", 'cuffs = "adult-arm"', 'cuffs = "other"')
    with pytest.raises(RulesNotLoadable) as refusal:
        load_rulebook(rules)
    told = str(refusal.value)
    assert len(told.splitlines()) == 4
    assert all(word in told for word in ("extra.mmhg is missing", "must not fall", "overlaps", "cuffs is not a cuff table"))
