"""Pages of lists: how long they may be, and the cursor that leads from one to the next.

A cursor is the key of the last row of a page. Each list says which bytes that key is; the text is made and read here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from msgspec import MsgspecError

from quietcuff.core.model.base64url import base64url, bytes_of_base64url
from quietcuff.core.model.errors import Fault, NotAcceptable

LONGEST_PAGE, DEFAULT_LIMIT = 200, 50
NOT_A_CURSOR = Fault(parameter="cursor", code="not-a-cursor", detail="The cursor of an earlier page's next link.")
End = TypeVar("End")


def cursor_text(key: bytes) -> str:
    """The end of a page as text that fits a URL."""
    return base64url(key)


def read_cursor(text: str, read: Callable[[bytes], End], fault: Fault = NOT_A_CURSOR) -> End:
    """The end of a page from its cursor; ``read`` makes it of the bytes.

    Raises:
        NotAcceptable: it is none of ours.
    """
    try:
        # Links that were given out earlier may still carry the padding.
        return read(bytes_of_base64url(text.rstrip("=")))
    except (ValueError, OverflowError, MsgspecError) as error:
        raise NotAcceptable([fault]) from error


def check_limit(limit: int) -> None:
    """Refuse a page that is too long or has no place for one row.

    Raises:
        NotAcceptable: outside 1 to 200.
    """
    if not 1 <= limit <= LONGEST_PAGE:
        raise NotAcceptable([limit_fault()])


def limit_fault() -> Fault:
    return Fault(parameter="limit", code="out-of-range", detail=f"A whole number from 1 to {LONGEST_PAGE}.")
