"""Which acknowledgements a message gets, for every pair of conditions in MSH-15 and MSH-16 and every outcome.

Source: HL7 v2.5.1 chapter 2, 2.9.2 and 2.9.3, and table 0155, from memory; that a sender who sees the commit acknowledgement
only is told there what was refused is a project decision, in docs/hl7v2.md.
"""

from __future__ import annotations

import itertools

import hl7
import pytest

from decode.hl7_messages import message, pair
from quietcuff.decode.hl7v2.acknowledgement import Verdict, acknowledgements
from quietcuff.decode.hl7v2.header import open_message
from quietcuff.decode.payload import RefusedPart
from storage.rows import NOON

CONDITIONS = ("", "AL", "NE", "ER", "SU")
# A line for each MSH-15, a column for each MSH-16, in the order of the conditions.
ANSWERS = {
    "A": """
        AA   AA      -    -    AA
        CA   CA+AA   CA   CA   CA+AA
        -    AA      -    -    AA
        -    AA      -    -    AA
        CA   CA+AA   CA   CA   CA+AA
    """,
    "E": """
        AE   AE      -    AE      -
        CE   CA+AE   CE   CA+AE   CE
        -    AE      -    AE      -
        CE   CA+AE   CE   CA+AE   CE
        -    AE      -    AE      -
    """,
    "R": """
        AR   AR   -    AR   -
        CR   CR   CR   CR   CR
        -    AR   -    AR   -
        CR   CR   CR   CR   CR
        -    AR   -    AR   -
    """,
}
EACH = list(itertools.product(CONDITIONS, CONDITIONS))
REFUSED = [RefusedPart(place=f"OBX[{number}]-5", code="off-scale", detail="A number.") for number in (1, 2)]


@pytest.mark.parametrize("verdict", ["A", "E", "R"])
def test_each_pair_of_conditions_is_answered_as_the_table_says(verdict: Verdict) -> None:
    wanted = dict(zip(EACH, ANSWERS[verdict].split(), strict=True))
    refused = [] if verdict == "A" else REFUSED
    for (accept, application), codes in wanted.items():
        head = open_message(message(*pair(142, 91), head=f"2.5.1|||{accept}|{application}")).head
        told = acknowledgements(head, verdict, refused, at=NOON, new_control_id=lambda: "ID-1")
        answers = [hl7.parse(one.decode()) for one in told]
        said = [str(one.segment("MSA")[1]) for one in answers]
        assert ("+".join(said) or "-") == codes, (accept, application)
        # Each thing refused is told once: in the last answer.
        errors = [len(list(one["ERR"])) if "\rERR|" in str(one) else 0 for one in answers]
        assert errors == ([0] * (len(said) - 1) + [len(refused)] if said else []), (accept, application)
