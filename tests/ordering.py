"""Which files of tests begin first when they are shared out among workers: those that take longest, so that none is left alone
at the end. All others follow by their number of tests. Some share what takes long to make, and go together."""

from __future__ import annotations

from collections import Counter

import pytest
from xdist.scheduler import LoadFileScheduling

# As measured by processor time, with the commands that they start; the longest first; paths below tests/.
LONGEST_FIRST = (
    "fuzz/test_document.py",
    "outside/test_survey.py",
    "outside/test_survey_first_reading.py",
    "core/test_played_sittings.py",
    "core/test_properties.py",
    "test_guides.py",
    "api/test_search_model.py",
    "outside/test_fhir_validity.py",
    "cli/test_service_commands.py",
    "outside/test_certainty_simulation.py",
    "cli/test_import.py",
    "analytics/test_what_if.py",
    "api/test_retention.py",
    "api/test_isolation.py",
    "core/test_safety_properties.py",
    "cli/test_tally.py",
    "test_docs.py",
    "outside/test_survey_stored.py",
    "api/test_crashes.py",
    "fhir_r4/test_parallel.py",
    "delivery/test_worker.py",
    "delivery/test_killed.py",
    "fhir_r4/test_search_generated.py",
    "fhir_r4/test_search.py",
    "fhir_r4/test_steady.py",
    "test_demo.py",
    "api/test_access.py",
    "outside/test_certainty_people.py",
    "browser/test_quality_page.py",
    "browser/test_bedside.py",
    "application/test_bulk.py",
    "analytics/columns/test_parts.py",
    "delivery/test_commands.py",
    "test_house.py",
)
# Both evaluate everyone of the survey by the same protocols, and keep what came out.
TOGETHER = ("outside/test_survey.py", "outside/test_survey_first_reading.py")


class TogetherScheduling(LoadFileScheduling):
    """Whole files for one worker each, but for those which go together."""

    def _split_scope(self, nodeid: str) -> str:
        file = str(super()._split_scope(nodeid))
        return TOGETHER[0] if file.endswith(TOGETHER) else file


def longest_first(items: list[pytest.Item], tests: str) -> None:
    """Put whole files in the order in which workers take them; within a file nothing moves."""
    counted = Counter(item.path for item in items)
    named = {f"{tests}/{name}": place for place, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: (named.get(str(item.path), len(named)), -counted[item.path], str(item.path)))
