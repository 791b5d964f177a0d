"""HL7 v2 messages for the tests: the check vectors, and invented ones built row by row."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from quietcuff.decode.hl7v2.message import ReadReport, read_report
from quietcuff.decode.hl7v2.people import Conventions

FOLDER = Path(__file__).parents[1] / "data/hl7v2"
VECTORS = {path.stem: path.read_bytes() for path in sorted(FOLDER.glob("*.hl7"))}
LONDON = Conventions(zone=ZoneInfo("Europe/London"), authorities={"WESTWING": "urn:example:westwing"})
PID = "PID|1||P-1^^^WESTWING^MR||Invented^Person||19710422|F"
OBR = "OBR|1|O-1^WEST|F-1^WEST|85354-9^Blood pressure panel^LN|||20260314070500+0000"
# Three common faults of real feeds and one of each other sort, all in one message of a version of long ago.
MESSY = "\r".join(
    [
        r"MSH$%+#*$VITALS$WEST$RECEIVER$REGION7$20260314071500$$ORU%R01$W#E#17$P$2.3",
        "PID$1$$P-9%%%WESTWING%MR$$Invented%Person",
        "ZQC$anything$at%all",
        "OBR$1$$F-9%WEST$55284-4%Blood pressure%LN$$$20260315070500+0000",
        "OBX$1$ST$55284-4%Blood pressure%LN$1$161/102$mm[Hg]$$$$$F",
        "OBX$2$NM$8867-4%Heart rate%LN$1$<60$/min$$$$$F",
        "OBX$3$NM$8480-6%Systolic blood pressure%LN$2$150$$$$$$F",
        "OBX$4$NM$8462-4%Diastolic blood pressure%LN$2$95$mm[Hg]$$$$$F",
        "OBX$5$SN$8480-6%Systolic blood pressure%LN$3$>%180$mm[Hg]$$$$$F",
        "OBX$6$NM$8462-4%Diastolic blood pressure%LN$3$95$mm[Hg]$$$$$F$$$20260229070500+0000",
        "OBX$7$ST$55284-4%Blood pressure%LN$4$150/90$mm[Hg]$$$$$F$$$20260329013000",
        "OBX$8$NM$150021%MDC_PRESS_BLD_NONINV_DIA%MDC$5$150$266016%MDC_DIM_MMHG%MDC$$$$$F",
        "OBX$9$ST$55284-4%Blood pressure%LN$6$150/90$mm[Hg]$$$$$Q",
        "OBX$10$NM$29463-7%Body weight%LN$$80$kg$$$$$F",
    ]
).encode()


def message(
    *rows: str, head: str = "2.5.1", pid: str = PID, obr: str = OBR, processing: str = "P", control: str = "C-1"
) -> bytes:
    """A message of one order; ``head`` is its version, and what comes after it in MSH."""
    msh = f"MSH|^~\\&|VITALS|WEST|RECEIVER|REGION7|20260314071512+0000||ORU^R01^ORU_R01|{control}|{processing}|{head}"
    return "".join(f"{line}\r" for line in (msh, pid, obr, *rows) if line).encode()


def row(
    measure: str,
    value: str,
    sub: str = "1",
    *,
    kind: str = "NM",
    unit: str | None = None,
    status: str = "F",
    flags: str = "",
    at: str = "",
    more: str = "",
) -> str:
    """One OBX: ``measure`` is sys, dia, pulse, or a whole OBX-3."""
    known = {
        "sys": "8480-6^Systolic^LN",
        "dia": "8462-4^Diastolic^LN",
        "pulse": "8867-4^Heart rate^LN",
        "map": "8478-0^Mean^LN",
    }
    own = "/min" if measure == "pulse" else "mm[Hg]"
    said = own if unit is None else unit
    return f"OBX|1|{kind}|{known.get(measure, measure)}|{sub}|{value}|{said}||{flags}|||{status}|||{at}{more}"


def pair(systolic: int, diastolic: int, sub: str = "1", *, status: str = "F", at: str = "") -> tuple[str, str]:
    """Both pressures of one reading."""
    return row("sys", str(systolic), sub, status=status, at=at), row("dia", str(diastolic), sub, status=status, at=at)


def report(*rows: str, **how: str) -> ReadReport:
    """What a message of one order says."""
    return read_report(message(*rows, **how), LONDON)
