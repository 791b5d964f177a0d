"""The sections of the record sheet: lines of what was recorded; one line in each section lists what was not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime

import msgspec

from quietcuff.core.model.evaluation import Category, Evaluation, FollowingStep, PartMean
from quietcuff.core.model.readings import ArmRestriction, Cuff, Device, Facts, Identifier, ReadingSet
from quietcuff.core.rulebook.rulebook import Wording
from quietcuff.core.sitting.attempts import in_order

Line = tuple[str, str | None]
UNKNOWN = ("not-recorded", None)
TAKEN_BACK = "–"
DIGITS_SHOWN = 12
# Said by the line that gathers what was not recorded.
GATHERED_ELSEWHERE = frozenset({"context-not-recorded"})


class SheetSection(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A heading, and named lines in order."""

    heading: str
    lines: list[tuple[str, str]]


class Amendment(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A later version of the set: its number, what made it, when, and the reason that was given."""

    version: int
    cause: str
    at: datetime
    reason: str | None


class Stored(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The store's own facts about a set."""

    id: str
    version: int
    status: str
    closed: bool
    stored_at: datetime
    changed_at: datetime
    later: list[Amendment] = []

    @property
    def amended(self) -> bool:
        return any(each.cause == "corrected" for each in self.later)


def section(words: dict[str, str], heading: str, lines: Iterable[Line]) -> SheetSection:
    """The lines with a value under their labels, then one line of all that was not recorded."""
    told, missing = [], []
    for name, value in lines:
        label = words.get(name, name)
        if value is None:
            missing.append(f"{label[0].lower()}{label[1:]}")
        else:
            told.append((label, value))
    if missing:
        told.append((words["gathered"], ", ".join(missing)))
    return SheetSection(heading=words[heading], lines=told)


def sitting_lines(reading_set: ReadingSet, evaluation: Evaluation) -> Iterator[Line]:
    """Person, days, setting, observers and places of the sitting."""
    yield "person", identifier(reading_set.subject.identifier)
    days = sorted({reading.taken_at.date() for reading in reading_set.readings})
    first = reading_set.readings[0].taken_at
    span = str(days[0]) if len(days) == 1 else f"{days[0]} – {days[-1]}"
    yield "date", span if differs(reading_set, "%z") else f"{span} (UTC{first.isoformat()[-6:]})"
    visit = "" if evaluation.chosen.visit == "not-recorded" else f", {in_words(evaluation.chosen.visit)} visit"
    yield "setting", f"{reading_set.setting}, {reading_set.attendance}{visit}"
    observers = {reading.observer or reading_set.observer for reading in reading_set.readings}
    named = sorted(identifier(observer) or "" for observer in observers)
    yield "observer", ", ".join(name for name in named if name) or None
    for name in ("location", "encounter", "based_on"):
        yield name, identifier(getattr(reading_set, name))


def outcome_lines(wording: Wording, evaluation: Evaluation, names: list[str]) -> Iterator[Line]:
    """Safety, the line for the record, labels, certainty, next step and findings."""
    safety = evaluation.safety
    if safety.text is not None:
        yield "safety", safety.text if safety.level == "none" else f"{in_words(safety.level).capitalize()}: {safety.text}"
    if safety.ask:
        yield "ask", ", ".join(wording.sheet.get(name, in_words(name)) for name in safety.ask)
    blocked = ", ".join(map(wording.reason_in_words, evaluation.blocked_by))
    state = in_words(evaluation.state).capitalize()
    yield "state", f"{state}: {blocked}" if blocked else state
    if evaluation.record_line is not None:
        yield "result", evaluation.record_line
    for category in evaluation.categories:
        yield "label", label_of(wording, category)
    for certainty in evaluation.certainty:
        about = f"{certainty.guideline}: " if len(evaluation.certainty) > 1 else ""
        yield "certainty", f"{about}{certainty.statement}"
    yield "next-step", step_of(evaluation.next_step)
    if evaluation.next_step.then is not None:
        yield "then", step_of(evaluation.next_step.then)
    if evaluation.confirm_by is not None:
        yield "confirm-by", f"{evaluation.confirm_by.date}, {in_words(evaluation.confirm_by.way)}"
    yield from finding_lines(wording.sheet, evaluation, names)


def label_of(wording: Wording, category: Category) -> str:
    """The label of one guideline, and why it is not final."""
    words = wording.sheet
    label = f"{category.label or words['no-label']} ({category.guideline}, {words['version']} {category.version})"
    if not category.provisional:
        return label
    return f"{label}; {words['provisional']}: {', '.join(map(wording.reason_in_words, category.provisional_because))}"


def step_of(step: FollowingStep) -> str:
    """The next step, in the sentence that gives its reason."""
    if step.action == "none":
        return step.reason
    parts = [in_words(part) for part in (step.action, step.site, step.cuff, step.method) if part is not None]
    return f"{parts[0].capitalize()}{''.join(f', {part}' for part in parts[1:])}. {step.reason}"


def finding_lines(words: dict[str, str], evaluation: Evaluation, names: list[str]) -> Iterator[Line]:
    """Each finding once, with all the readings that it is about."""
    about: dict[str, list[str]] = {}
    for finding in evaluation.findings:
        if finding.code not in GATHERED_ELSEWHERE:
            about.setdefault(finding.message, []).extend([] if finding.reading is None else [names[finding.reading]])
    for message, places in about.items():
        yield "noticed", f"{of_readings(words, places)}{message}"


def of_readings(words: dict[str, str], places: list[str]) -> str:
    """The readings that a line is about, by their numbers on the sheet; empty where it is about all."""
    return f"{words['reading'] if len(places) == 1 else words['of-readings']} {', '.join(spans(places))}: " if places else ""


def spans(places: list[str]) -> Iterator[str]:
    """Numbers that follow each other as from and to: 2, 4–6."""
    numbers = sorted({int(place) for place in places if place.isdigit()})
    begins = [value for value in numbers if value - 1 not in numbers]
    ends = [value for value in numbers if value + 1 not in numbers]
    for low, high in zip(begins, ends, strict=True):
        yield str(low) if low == high else f"{low}–{high}"
    if len(numbers) < len(set(places)):
        yield TAKEN_BACK


def series_summary(words: dict[str, str], evaluation: Evaluation) -> str:
    """The number of readings, those that count, and the means of a series or a recording."""
    parts = [words["summary"].format(readings=len(evaluation.readings), counted=len(evaluation.counted))]
    series = evaluation.series
    if series is not None:
        for name in ("morning", "evening", "day", "night", "hours_24"):
            mean: PartMean | None = getattr(series, name)
            if mean is not None:
                pressure = f"{mean.systolic_mmhg}/{mean.diastolic_mmhg}"
                parts.append(words["part-mean"].format(part=words[name], pressure=pressure, readings=mean.readings))
        if series.dipping is not None and series.dipping_percent is not None:
            parts.append(words["dipping"].format(percent=number(series.dipping_percent), dipping=series.dipping))
    return "; ".join(parts) + "."


def preparation_lines(reading_set: ReadingSet) -> Iterator[Line]:
    """Every answer about how the measurement was prepared and done."""
    for name, value in msgspec.structs.asdict(reading_set.context).items():
        yield name, value_of(value)


def person_lines(reading_set: ReadingSet) -> Iterator[Line]:
    """Facts about the person. Facts of a pregnancy are no gap where none is recorded."""
    for name in Facts.__struct_fields__:
        value = getattr(reading_set.subject, name)
        if name == "arm_restrictions":
            if value:
                yield name, "; ".join(map(restriction, value))
        elif value is not None or name not in ("gestation_weeks", "delivered_on", "treatment_changed_on"):
            yield name, value_of(value)


def equipment_lines(words: dict[str, str], reading_set: ReadingSet, names: list[str]) -> Iterator[Line]:
    """Devices and cuffs; where readings differ in them, with the readings that each belongs to."""
    readings = reading_set.readings
    devices = [describe_device(words, reading.device or reading_set.device) for reading in readings]
    cuffs = [describe_cuff(words, reading.cuff or reading_set.cuff) for reading in readings]
    for name, values in (("device", devices), ("cuff", cuffs)):
        yield from by_reading(words, name, values, names)
    if reading_set.device_average is not None:
        mean = reading_set.device_average
        pressure = f"{number(mean.systolic_mmhg)}/{number(mean.diastolic_mmhg)}"
        yield "device-average", words["part-mean"].format(part="", pressure=pressure, readings=mean.readings).strip()
    for period in reading_set.sleep:
        yield "sleep", f"{moment(period.asleep_at)} – {moment(period.awake_at)}"


def by_reading(words: dict[str, str], name: str, values: list[str | None], names: list[str]) -> Iterator[Line]:
    """One line for each value that differs."""
    places: dict[str | None, list[str]] = {}
    for value, place in zip(values, names, strict=True):
        places.setdefault(value, []).append(place)
    for value, of_value in places.items():
        if len(places) == 1:
            yield name, value
        else:
            yield name, f"{of_readings(words, of_value)}{value or words['not-recorded']}"


def record_lines(words: dict[str, str], evaluation: Evaluation, stored: Stored | None) -> Iterator[Line]:
    """Lines of the record: where it is kept, and by which rules it was made."""
    if stored is not None:
        yield "set", stored.id
        yield "set-version", str(stored.version)
        yield "status", f"{words[stored.status]}, {words['closed'] if stored.closed else words['open']}"
        yield "stored-at", moment(stored.stored_at)
        if stored.version > 1:
            yield "changed-at", moment(stored.changed_at)
    rules = evaluation.protocol
    yield "protocol", f"{rules.id}, {words['version']} {rules.version}, {short(rules.digest)}"
    for category in evaluation.categories:
        yield "guideline", f"{category.guideline}, {words['version']} {category.version}, {short(category.digest)}"
    yield "engine", evaluation.engine_version


def short(digest: str) -> str:
    """The beginning of a digest, enough to tell one file from another; the evaluation holds the whole."""
    return digest[: len("sha256:") + DIGITS_SHOWN]


def amendments(words: dict[str, str], stored: Stored | None) -> Iterator[Line]:
    """Every later version, why and when."""
    for each in stored.later if stored is not None else []:
        why = "" if each.reason is None else f": {each.reason}"
        yield f"{words['set-version']} {each.version}", f"{in_words(each.cause)}, {moment(each.at)}{why}"


def place_names(reading_set: ReadingSet) -> list[str]:
    """The number of each reading in the order sent; one that was taken back has none."""
    names, number_of = [TAKEN_BACK] * len(reading_set.readings), 0
    for index, reading in in_order(reading_set.readings):
        if not reading.voided:
            number_of += 1
            names[index] = str(number_of)
    return names


def describe_device(words: dict[str, str], device: Device | None) -> str | None:
    """The device as it is known."""
    if device is None:
        return None
    parts = [device.kind, device.site, device.manufacturer, device.model]
    parts += [f"{words['serial']} {device.serial_number}" if device.serial_number else None, identifier(device.identifier)]
    parts.append(f"{words['validated']}: {in_words(device.validated)}")
    if device.validated_for:
        parts.append(f"{words['validated-for']}: {', '.join(map(in_words, device.validated_for))}")
    if device.last_accuracy_check is not None:
        parts.append(f"{words['accuracy-check']} {device.last_accuracy_check}")
    return ", ".join(part for part in parts if part)


def describe_cuff(words: dict[str, str], cuff: Cuff | None, *, short: bool = False) -> str | None:
    """The cuff's size; at length with its printed range, and whether its mark fell in it."""
    if cuff is None or (short and cuff.size is None):
        return None
    if short:
        return cuff.size
    parts = [] if cuff.size is None else [cuff.size]
    if cuff.range_cm is not None:
        low_cm, high_cm = cuff.range_cm
        parts.append(words["range"].format(low=number(low_cm), high=number(high_cm)))
    if cuff.mark_within_range != "not-recorded":
        parts.append(f"{words['mark']}: {cuff.mark_within_range}")
    return ", ".join(parts) or None


def restriction(each: ArmRestriction) -> str:
    """An arm that must not be used, and why."""
    until = "" if each.until is None else f", until {each.until}"
    return f"{each.arm} arm: {in_words(each.reason)}{until}"


def identifier(named: Identifier | None) -> str | None:
    """An identifier with its system."""
    return None if named is None else f"{named.value} ({named.system})"


def differs(reading_set: ReadingSet, pattern: str) -> bool:
    """True where the readings' times differ in the parts that the pattern shows."""
    return len({reading.taken_at.strftime(pattern) for reading in reading_set.readings}) > 1


def value_of(value: str | float | date | None) -> str | None:
    """An answer or a fact in words; None where it was not recorded. Codes begin with a letter, days with a digit."""
    if value in UNKNOWN or value is None:
        return None
    if isinstance(value, float | int):
        return number(value)
    text = str(value)
    return text if text[:1].isdigit() else in_words(text)


def number(value: float | None) -> str:
    """A number without a needless point."""
    return "" if value is None else f"{value:g}"


def moment(at: datetime) -> str:
    """A moment as people read it, with its offset."""
    return at.isoformat(sep=" ", timespec="seconds")


def in_words(code: str) -> str:
    """A code as it is read: left-upper-arm becomes left upper arm."""
    return code.replace("-", " ").replace("_", " ")
