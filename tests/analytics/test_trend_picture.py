"""The picture of pressures over time: what is drawn, where, and what is not.

Limits are read from the rule files by hand here; contrast is that of WCAG 2.1, 1.4.11 (3:1 for graphics), from memory.
"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import tomllib
import xml.etree.ElementTree as ElementTree
from datetime import date
from functools import cache
from itertools import combinations
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import pictured
from quietcuff.analytics import trend_text as words
from quietcuff.analytics.layout import day_ticks, place_in_rows, push_apart
from quietcuff.analytics.matplotlib_svg import POINTS_PER_MM, DrawingSheet
from quietcuff.analytics.trend import Treated, Trend, make_trend
from quietcuff.analytics.trend_drawing import draw_trend
from quietcuff.analytics.trend_looks import COLOURS, PRESSURES, SEVERE, mark_looks
from quietcuff.analytics.trend_picture import finished
from quietcuff.analytics.trend_words import PictureWords
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.over_visits.pooling import CurrentSitting
from strategies import reading_sets

GUIDELINES = Path(__file__).parents[2] / "service/quietcuff/rules/guidelines"
CASES = sorted(pictured.cases())
PLAIN = pictured.words()
SMALLEST_POINTS = 6.5


@cache
def trend_of(case: str) -> Trend:
    return make_trend(pictured.cases()[case], pictured.NOBODYS_FACTS, pictured.book())


@cache
def sheet_of(case: str) -> DrawingSheet:
    return draw_trend(trend_of(case), PLAIN)


@cache
def svg_of(case: str) -> bytes:
    return sheet_of(case).svg(PLAIN.say("title"), words.description(trend_of(case), PLAIN))


def marks(case: str, group: str) -> int:
    """How many marks a group of the picture holds; one that is half filled is drawn in two halves."""
    root = ElementTree.fromstring(svg_of(case))  # noqa: S314 - it is ours
    found = [each for each in root.iter() if each.get("id") == group]
    uses = sum(each.tag.endswith("}use") for one in found for each in one.iter())
    return uses // 2 if group.endswith("ambulatory") else uses


def limits_drawn(case: str, pressure: str) -> set[float]:
    return {float(text) for text in re.findall(rf'id="limit-{pressure}-([\d.]+)"', svg_of(case).decode())}


@pytest.mark.parametrize("case", CASES)
def test_no_text_touches_another_or_leaves_the_page(case: str) -> None:
    assert_legible(sheet_of(case))


@settings(deadline=None, derandomize=True, max_examples=10, suppress_health_check=list(HealthCheck))
@given(st.lists(reading_sets(), min_size=1, max_size=6), st.sampled_from([None, *sorted(pictured.book().guidelines)]))
def test_whatever_is_stored_is_drawn_legibly(reading_sets: list[ReadingSet], guideline: str | None) -> None:
    sittings = []
    for number, reading_set in enumerate(reading_sets):
        try:
            evaluation = evaluate(reading_set, reading_set.history, pictured.book())
        except NotAcceptable:
            continue
        closed = reading_set.closed
        sittings.append(
            CurrentSitting(set_id=f"{number}", status="active", closed=closed, reading_set=reading_set, evaluation=evaluation)
        )
    trend = make_trend(sittings, pictured.NOBODYS_FACTS, pictured.book(), guideline)
    sheet = draw_trend(trend, PLAIN)
    assert_legible(sheet)
    ElementTree.fromstring(sheet.svg(PLAIN.say("title"), words.description(trend, PLAIN)))  # noqa: S314 - it is ours


def assert_legible(sheet: DrawingSheet, spoken: PictureWords = PLAIN) -> None:
    """No text touches another, leaves the page, lies on a panel or is too small, by the widths of the SVG itself."""
    from matplotlib.backends.backend_svg import RendererSVG

    renderer = RendererSVG(sheet.width, sheet.height, io.StringIO())
    boxes = {text: text.get_window_extent(renderer) for text in sheet.figure.texts if text.get_text()}
    assert len(boxes) >= 6
    for (one, box), (other, neighbour) in combinations(boxes.items(), 2):
        assert not box.overlaps(neighbour), (one.get_text(), other.get_text())
    for text, box in boxes.items():
        assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= sheet.width and box.y1 <= sheet.height, text.get_text()
        assert text.get_fontsize() >= SMALLEST_POINTS
    panels = [axes.get_window_extent(renderer) for axes in sheet.figure.axes]
    inside = {text.get_text() for text, box in boxes.items() if any(box.overlaps(panel) for panel in panels)}
    assert inside <= {spoken.say("nothing-to-draw")}


@pytest.mark.parametrize("case", CASES)
def test_as_many_points_are_drawn_as_there_are_results_and_readings(case: str) -> None:
    sittings = [each for each in pictured.cases()[case] if each.status == "active" and each.closed]
    for pressure in PRESSURES:
        for setting in COLOURS:
            expected = sum(each.evaluation.result is not None and each.reading_set.setting == setting for each in sittings)
            drawn = marks(case, f"results-{pressure}-{setting}") + marks(case, f"severe-{pressure}-{setting}")
            assert drawn == expected
        expected = sum(
            not outcome.counts
            and outcome.reason not in ("voided", "implausible")
            and each.reading_set.readings[outcome.index].systolic_mmhg is not None
            for each in sittings
            for outcome in each.evaluation.readings
        )
        assert marks(case, f"not-counted-{pressure}") + marks(case, f"severe-not-counted-{pressure}") == expected


def test_the_same_sittings_give_the_same_bytes_whatever_their_order() -> None:
    backwards = make_trend(pictured.cases()["mixed"][::-1], pictured.NOBODYS_FACTS, pictured.book())
    assert draw_trend(backwards, PLAIN).svg(PLAIN.say("title"), words.description(backwards, PLAIN)) == svg_of("mixed")


SHOWN_ELSEWHERE = """
import sys
sys.path.insert(0, sys.argv[1])
from analytics.test_trend_picture import svg_of
sys.stdout.buffer.write(svg_of("treated"))
"""


def test_a_process_that_may_write_nowhere_and_with_other_settings_draws_the_same_in_silence(tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_text("font.size: 20\nlines.linewidth: 9\nsvg.fonttype: none\nnonsense: 1\n")
    away = {name: text for name, text in os.environ.items() if name not in ("HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")}
    away |= {"HOME": "/proc", "MPLCONFIGDIR": "/proc", "PYTHONHASHSEED": "5"}
    command = [sys.executable, "-c", SHOWN_ELSEWHERE, str(Path(__file__).parents[1])]
    done = subprocess.run(command, cwd=tmp_path, env=away, capture_output=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout == svg_of("treated")
    assert [path.name for path in tmp_path.iterdir()] == ["matplotlibrc"]


@pytest.mark.parametrize(("case", "guidelines"), [("forty", ("aha-acc-2025", "esc-2024")), ("one-guideline", ("jsh-2019",))])
def test_the_limits_drawn_are_those_of_the_guidelines(case: str, guidelines: tuple[str, ...]) -> None:
    for pressure in PRESSURES:
        rows = [row for name in guidelines for row in tomllib.loads((GUIDELINES / f"{name}.toml").read_text())["rows"]]
        assert limits_drawn(case, pressure) == {row[f"{pressure}_mmhg"] for row in rows if f"{pressure}_mmhg" in row}


def test_of_many_guidelines_the_limits_of_hypertension_alone_are_drawn() -> None:
    names = ("aha-acc-2025", "esc-2024", "esh-2023", "jsh-2019", "nice-2019")
    for pressure in PRESSURES:
        edges = [tomllib.loads((GUIDELINES / f"{name}.toml").read_text())["hypertension"] for name in names]
        assert limits_drawn("many-guidelines", pressure) == {edge[f"{pressure}_mmhg"] for edge in edges}


def test_a_childs_limits_are_the_childs_own() -> None:
    """A boy of 9 years and 135 cm on 4 July 2026; limits as the evaluation of that sitting gives them in its words."""
    sitting = pictured.child()[-1]
    (guideline,) = trend_of("child").limits
    stage_1 = next(limit for limit in guideline.limits if limit.is_hypertension)
    told = f"{stage_1.systolic_mmhg:.1f}/{stage_1.diastolic_mmhg:.1f}"
    (category,) = sitting.evaluation.categories
    assert (category.category, stage_1.category) == ("stage-1", "stage-1")
    assert category.basis is not None and told in category.basis


def test_limits_follow_the_setting_of_the_latest_result() -> None:
    at_home = pictured.mixed()[:2]
    trend = make_trend(at_home, pictured.NOBODYS_FACTS, pictured.book())
    assert trend.setting == "home"
    # ESC 2024 has 120/70 and 135/85 for home values.
    assert [limit.systolic_mmhg for limit in trend.limits[1].limits] == [120, 135]
    recorded = make_trend(pictured.mixed()[:4], pictured.NOBODYS_FACTS, pictured.book(), "esc-2024")
    assert [(limit.systolic_mmhg, limit.diastolic_mmhg) for limit in recorded.limits[0].limits] == [(120, 70), (135, 85)]


def test_other_settings_have_the_hypertension_limits_of_their_own_values() -> None:
    """ESC 2024: 140/90 in the office, 135/85 at home and by day; AHA/ACC 2025: 130/80 in all three. Office is newest."""
    trend = trend_of("mixed")
    assert [(each.setting, each.without) for each in trend.elsewhere] == [("home", []), ("ambulatory", [])]
    for setting in trend.elsewhere:
        limits = {each.guideline: [(it.systolic_mmhg, it.diastolic_mmhg) for it in each.limits] for each in setting.limits}
        assert limits == {"aha-acc-2025": [(130, 80)], "esc-2024": [(135, 85)]}
    assert 135 in limits_drawn("mixed", "systolic") and 85 in limits_drawn("mixed", "diastolic")
    texts = [text.get_text().replace("\xa0", " ").strip() for text in sheet_of("mixed").figure.texts]
    assert texts.count("home, daytime B") == 2
    told = words.limits_words(trend, PLAIN)
    assert told is not None and "limits for office values" in told
    assert "Marked home and daytime: hypertension limits for those values." in told
    assert trend_of("forty").elsewhere == [] and "Marked" not in (words.limits_words(trend_of("forty"), PLAIN) or "")


@pytest.mark.parametrize("case", CASES)
def test_severe_values_are_ringed_coloured_counted_and_told(case: str) -> None:
    """By hand from what was measured: 180/110, 160/110 in pregnancy. Source: docs/decisions.md."""
    limit = (160, 110) if case == "pregnancy" else (180, 110)
    sittings = [each for each in pictured.cases()[case] if each.status == "active" and each.closed]
    found = 0
    for sitting in (each for each in sittings if each.evaluation.result is not None):
        readings = [each for each in sitting.reading_set.readings if each.systolic_mmhg is not None]
        high = [(each.systolic_mmhg or 0) >= limit[0] or (each.diastolic_mmhg or 0) >= limit[1] for each in readings]
        found += any(high)
    assert sum(bool(point.severe) for point in trend_of(case).results) == found
    rings = sum(marks(case, f"rings-{pressure}-{setting}") for pressure in PRESSURES for setting in COLOURS)
    assert rings == sum(len(point.severe) for point in trend_of(case).results)
    told = (*words.notes(trend_of(case), PLAIN), words.description(trend_of(case), PLAIN))
    assert sum("Severe, in itself" in each for each in told) == (2 if found else 0)
    shown = {text.get_text() for text in sheet_of(case).figure.texts}
    assert ("severe" in shown) == (found > 0)


def test_the_severe_cases_have_severe_values() -> None:
    assert [point.severe for point in trend_of("severe").results] == [
        (), ("systolic",), ("systolic", "diastolic"), (), (), ("systolic",)
    ]  # fmt: skip
    # 164/104 after a first reading of 173/113.
    assert trend_of("pregnancy").results[-1].severe == ("systolic", "diastolic")
    assert words.severe_words(trend_of("pregnancy"), PLAIN) == (
        "Severe, in itself or in a reading of its sitting: 1 result, the latest 164/104 on 11 May 2026."
    )
    assert marks("severe", "severe-not-counted-systolic") == 3


def test_a_severe_reading_of_a_sitting_without_result_is_marked_and_told() -> None:
    alone = pictured.stored(1, pictured.reading(pictured.START, 186, 102), protocol="office-one-arm")
    trend = make_trend([alone], pictured.NOBODYS_FACTS, pictured.book())
    assert trend.results == [] and [each.severe for each in trend.not_counted] == [("systolic",)]
    assert words.description(trend, PLAIN) == "No result; 1 reading that did not count. Severe: 1 reading that did not count."
    assert "severe" in {text.get_text() for text in draw_trend(trend, PLAIN).figure.texts}


def test_a_severe_value_is_in_no_colour_of_ordinary_ones_and_stands_out() -> None:
    for setting in COLOURS:
        looks = mark_looks(setting, 5, severe=True)
        assert looks["markeredgecolor"] == SEVERE and looks["markerfacecolor"] in (SEVERE, "white")
    assert SEVERE not in COLOURS.values()
    assert 1.05 / (luminance(SEVERE) + 0.05) >= 4.5


@pytest.mark.parametrize("case", CASES)
def test_no_interval_leaves_the_newest_value_out_without_a_word(case: str) -> None:
    trend = trend_of(case)
    newest = {point.setting: point for point in trend.results}
    lines = words.newest_words(trend, PLAIN)
    for setting, point in newest.items():
        start = f"Latest {PLAIN.say(f'value-{setting}')} result: " if len(newest) > 1 else "Latest result: "
        said = [line for line in lines if line.startswith(start) and "outside the interval" in line]
        assert len(said) == (1 if point.is_outside else 0)
    for line in lines:
        assert line in words.notes(trend, PLAIN) and line in words.description(trend, PLAIN)


def test_what_an_evaluation_says_of_a_change_stands_below_the_picture() -> None:
    (line,) = [line for line in words.newest_words(trend_of("pregnancy"), PLAIN) if line.startswith("Latest result: ")]
    assert line.startswith("Latest result: The usual pressure has changed: ")
    apart = trend_of("newest-apart").results[-1]
    assert apart.is_outside
    assert any("6 earlier visits" in line for line in words.newest_words(trend_of("newest-apart"), PLAIN))
    # One that was stored before evaluations said so gets a sentence of its own.
    old = msgspec.structs.replace(apart, told=())
    trend = msgspec.structs.replace(trend_of("newest-apart"), results=[old])
    assert words.newest_words(trend, PLAIN) == [
        "Latest result: it lies outside the interval of the usual pressure, which rests on more than that sitting: on earlier "
        "ones, or on what is known of people before measuring."
    ]


def test_a_recording_is_drawn_at_its_daytime_mean_which_its_interval_is_about() -> None:
    sitting = pictured.recording(4, pictured.START, 134, 84, guidelines=["nice-2019"])
    (point,) = make_trend([sitting], pictured.NOBODYS_FACTS, pictured.book()).results
    series = sitting.evaluation.series
    assert series is not None and series.day is not None and sitting.evaluation.result is not None
    assert point.systolic_mmhg == series.day.systolic_mmhg != sitting.evaluation.result.systolic_mmhg
    assert point.interval_95 == sitting.evaluation.certainty[0].interval_95


def test_a_guideline_that_is_not_for_the_person_is_said_and_not_drawn() -> None:
    trend = make_trend(pictured.cases()["three"], pictured.NOBODYS_FACTS, pictured.book(), "aap-2017")
    assert trend.limits == []
    assert words.notes(trend, PLAIN) == [
        "No limits for this person and these values: 2017 AAP fixed thresholds, 13 to 17 years."
    ]


def test_treated_periods_are_what_the_sets_say() -> None:
    trend = trend_of("treated")
    # Untreated in January and February; yes in March, its change on 20 February; no in July, its change on 20 June; yes from
    # September, changed on the first.
    assert trend.treated == [
        Treated(since=date(2026, 2, 20), until=date(2026, 6, 20)),
        Treated(since=date(2026, 9, 1), until=None),
    ]
    assert trend.changed_on == [date(2026, 2, 20), date(2026, 6, 20), date(2026, 9, 1), date(2026, 11, 2)]
    texts = [text.get_text() for text in sheet_of("treated").figure.texts]
    assert texts.count("on treatment") == 3 and texts.count("changed") == 4


def test_what_is_not_drawn_is_said() -> None:
    assert trend_of("voided-only").left_out == {"voided": 2, "voided-set": 1}
    assert words.notes(trend_of("open-only"), PLAIN) == ["Not drawn: 1 sitting that is still open."]
    assert words.notes(trend_of("unusable"), PLAIN) == ["Not drawn: 1 failed attempt, 1 implausible reading."]
    assert words.notes(trend_of("empty"), PLAIN) == ["There is no sitting to draw from."]
    for case in ("voided-only", "open-only", "empty"):
        assert "No result to draw" in [text.get_text() for text in sheet_of(case).figure.texts]


@pytest.mark.parametrize("case", CASES)
def test_the_picture_names_nobody_and_tells_itself_in_one_sentence(case: str) -> None:
    root = ElementTree.fromstring(svg_of(case))  # noqa: S314 - it is ours
    title, description = root[0], root[1]
    assert (title.tag[-5:], title.text, description.tag[-4:]) == ("title", "Blood pressure over time", "desc")
    assert description.text is not None and description.text.endswith(".") and root.get("role") == "img"
    told = svg_of(case).decode() + " ".join(text.get_text() for text in sheet_of(case).figure.texts)
    assert "metadata" not in told and "Matplotlib" not in told
    for secret in ("hidden-7431", "urn:example", "1961-03-04", "2017-05-04", "00000000-0000-7000"):
        assert secret not in told
    assert trend_of(case).caution in [text.get_text() for text in sheet_of(case).figure.texts]


def test_it_is_as_wide_as_a_page_of_a5() -> None:
    assert sheet_of("forty").width == pytest.approx(148 * POINTS_PER_MM)
    assert sheet_of("forty").height < 210 * POINTS_PER_MM


def luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_marks_stand_out_without_colour() -> None:
    for colour in COLOURS.values():
        assert 1.05 / (luminance(colour) + 0.05) >= 3
    assert len({sheet_looks(setting) for setting in COLOURS}) == 3


def sheet_looks(setting: str) -> tuple[str, bool]:
    looks = mark_looks(setting, 5)
    return looks["fillstyle"], looks["markerfacecolor"] == "white"


def test_labels_move_apart_no_further_than_they_must() -> None:
    assert push_apart([10, 11, 40], 4, 0, 100) == [8.5, 12.5, 40]
    assert push_apart([1, 2], 4, 0, 100) == [2, 6]
    assert push_apart([99, 99.5], 4, 0, 100) == [94, 98]
    assert push_apart([10, 18, 14, 14], 4, 0, 100) != [10, 18, 14, 14]
    assert place_in_rows([(50, 20), (55, 20), (60, 20)], 0, 100, 2, 1) == [(0, 50), (1, 55), None]


def test_days_are_thinned_by_the_calendar() -> None:
    assert day_ticks(date(2026, 5, 4), date(2026, 5, 6), 6, PLAIN.tick) == [
        (date(2026, 5, 4).toordinal() + 0.5, "4 May\n2026"),
        (date(2026, 5, 5).toordinal() + 0.5, "5 May"),
        (date(2026, 5, 6).toordinal() + 0.5, "6 May"),
    ]
    assert [told for _, told in day_ticks(date(2025, 10, 2), date(2026, 4, 20), 6, PLAIN.tick)] == [
        "Nov\n2025", "Dec", "Jan\n2026", "Feb", "Mar", "Apr"
    ]  # fmt: skip
    assert [told for _, told in day_ticks(date(2019, 3, 1), date(2026, 4, 20), 6, PLAIN.tick)] == [
        "2020",
        "2022",
        "2024",
        "2026",
    ]
    for years in (1, 3, 30, 280):
        assert 1 <= len(day_ticks(date(1900, 1, 1), date(1900 + years, 6, 1), 6, PLAIN.tick)) <= 6


TOLD_IN_ENGLISH = re.compile(r"\b(the|and|result|limits?|reading|sittings?|severe|usual|daytime|office|treatment)\b", re.I)


@pytest.mark.parametrize("case", ["mixed", "severe", "treated", "many-guidelines", "newest-apart", "unusable", "empty"])
@pytest.mark.parametrize("code", ["de", "fr", "es"])
def test_in_every_language_it_is_legible_and_nothing_stays_in_english(case: str, code: str) -> None:
    spoken = pictured.words(code)
    sheet = draw_trend(trend_of(case), spoken)
    assert_legible(sheet, spoken)
    told = [text.get_text() for text in sheet.figure.texts] + [words.description(trend_of(case), spoken)]
    assert [text for text in told if TOLD_IN_ENGLISH.search(text)] == []
    assert f'lang="{code}"' in finished(trend_of(case), spoken).decode()[:400]


def test_a_value_outside_its_interval_is_told_once_in_every_language() -> None:
    """The evaluation says so in English, whatever language the picture speaks."""
    for code in ("en", "de", "fr", "es"):
        spoken = pictured.words(code)
        assert len(words.newest_words(trend_of("newest-apart"), spoken)) == len(
            words.newest_words(trend_of("newest-apart"), PLAIN)
        )


def test_every_category_of_the_rules_has_a_word_beside_its_line() -> None:
    there = {code.removeprefix("category-") for code in PLAIN.language.picture if code.startswith("category-")}
    assert there == pictured.languages().speaker("en").names.meaning.keys()
