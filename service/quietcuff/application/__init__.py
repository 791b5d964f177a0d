"""The flow from a request to the stored and answered result; begin reading at ``store_sitting.py``.

``understand`` decodes and checks a sitting. ``receive``, ``append``, ``reopen``, ``correct``, ``move`` and ``close_idle_sets``
change what is stored. ``receive_lines`` and ``receive_sittings`` store many. ``read_set``, ``read_versions``, ``read_version``,
``read_sheet`` and ``list_sets`` read them back. ``save_subject``, ``find_subject``, ``read_subject``, ``save_device`` and
``read_device`` serve the two registries. ``read_summary`` sums a person up. Everything that changes or reads the store is a
coroutine; its first argument is the ``AppContext``, its second the ``Caller``.
"""

from quietcuff.application.batch import Known, ReceivedLine, Tally, receive_lines, receive_sittings
from quietcuff.application.close_idle import close_idle_sets
from quietcuff.application.context import Answer, AppContext, Caller, IfMatch, Page, Record, open_desk
from quietcuff.application.move_sitting import move
from quietcuff.application.read_sittings import list_sets, read_set, read_sheet, read_version, read_versions
from quietcuff.application.registries import (
    faults_of_device,
    find_subject,
    read_device,
    read_subject,
    save_device,
    save_subject,
)
from quietcuff.application.store_sitting import append, correct, receive, reopen, understand
from quietcuff.application.summary import read_summary
from quietcuff.storage.rows.reading_sets import SetQuery

__all__ = [
    "Answer",
    "Caller",
    "AppContext",
    "IfMatch",
    "Known",
    "Page",
    "ReceivedLine",
    "Record",
    "SetQuery",
    "Tally",
    "append",
    "close_idle_sets",
    "correct",
    "faults_of_device",
    "find_subject",
    "list_sets",
    "move",
    "open_desk",
    "read_device",
    "read_set",
    "read_sheet",
    "read_subject",
    "read_summary",
    "read_version",
    "read_versions",
    "receive",
    "receive_lines",
    "receive_sittings",
    "reopen",
    "save_device",
    "save_subject",
    "understand",
]
