"""A block with what was decided of it before safety and labels look at it."""

from __future__ import annotations

from dataclasses import dataclass

from quietcuff.analytics.columns.arms import ArmColumns
from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.means import MeanColumns
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns
from quietcuff.analytics.columns.selection import SelectionColumns
from quietcuff.analytics.columns.severity import SevereColumns


@dataclass(frozen=True, slots=True)
class JudgedBlock:
    """Which readings of each set count, and their mean, with everything that led to it."""

    block: SetBlock
    columns: BatchColumns
    made: BatchRules
    people: PersonColumns
    rules: InForceColumns
    attempts: AttemptColumns
    comparison: ArmColumns
    severe: SevereColumns
    selection: SelectionColumns
    means: MeanColumns
