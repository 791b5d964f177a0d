"""Room of a SQLite file that holds no row: free pages, and the gaps in pages that are in use.

Source: SQLite's "Database File Format". ``secure_delete`` overwrites a row where it stood last, but a row that moved to another
page as the file grew may leave a copy in a gap of the page where it stood before.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

HEADER_BYTES = 100
# The type of a page, and the bytes of its header.
TREE_PAGES = {2: 12, 5: 12, 10: 8, 13: 8}


def free_room(path: Path) -> Iterator[bytes]:
    """Every piece of free room of a file."""
    with path.open("rb") as file:
        header = file.read(HEADER_BYTES)
        # 65,536 does not fit into the two bytes, and is written as 1.
        size = _number(header, 16, 2)
        size = 1 << 16 if size == 1 else size
        if size < 512:
            return
        trunks, leaves = _free_pages(file, size, _number(header, 32, 4))
        for number in range(1, path.stat().st_size // size + 1):
            page = _page(file, size, number)
            if number in leaves:
                yield page
            elif number in trunks:
                yield page[8 + 4 * _number(page, 4, 4) :]
            else:
                yield from _gaps(page, HEADER_BYTES if number == 1 else 0)


def _free_pages(file: BinaryIO, size: int, first: int) -> tuple[set[int], set[int]]:
    """The pages that list free pages, and those that are listed."""
    trunks: set[int] = set()
    leaves: set[int] = set()
    while first and first not in trunks:
        page = _page(file, size, first)
        trunks.add(first)
        count = min(_number(page, 4, 4), size // 4 - 2)
        leaves |= {_number(page, 8 + 4 * place, 4) for place in range(count)}
        first = _number(page, 0, 4)
    return trunks, leaves


def _gaps(page: bytes, start: int) -> Iterator[bytes]:
    header_bytes = TREE_PAGES.get(page[start])
    if header_bytes is None:
        return
    content = _number(page, start + 5, 2) or 1 << 16
    yield page[start + header_bytes + 2 * _number(page, start + 3, 2) : content]
    block = _number(page, start + 1, 2)
    while block:
        yield page[block + 4 : block + _number(page, block + 2, 2)]
        following = _number(page, block, 2)
        # They are listed in order, so that a number that goes back is no list.
        block = following if following > block else 0


def _page(file: BinaryIO, size: int, number: int) -> bytes:
    file.seek((number - 1) * size)
    return file.read(size).ljust(size, b"\0")


def _number(data: bytes, place: int, size: int) -> int:
    return int.from_bytes(data[place : place + size], "big")
