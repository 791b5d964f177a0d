"""Use of matplotlib in one place: loaded when the first picture is drawn, and used by one thread only.

It opens no window, shares no figure, reads no personal settings, and writes to no home folder. Its only font comes from its own
package. The same picture therefore has the same bytes on every machine.
"""

from __future__ import annotations

import asyncio
import io
import logging
import os
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias, TypeVar
from xml.sax.saxutils import escape

# The library's own types, which cannot be named before it is loaded.
Axes: TypeAlias = Any
FontProperties: TypeAlias = Any
Text: TypeAlias = Any
Picture = TypeVar("Picture")
POINTS_PER_INCH = 72
POINTS_PER_MM = POINTS_PER_INCH / 25.4
# Shapes of letters travel with the picture: it prints the same everywhere, and no text is wider than it was measured.
SETTINGS: dict[Any, Any] = {"svg.fonttype": "path", "svg.hashsalt": "quietcuff", "path.simplify": False}


async def draw(make: Callable[[], Picture]) -> Picture:
    """Run ``make`` in the drawing thread, so that other requests go on meanwhile."""
    return await asyncio.get_running_loop().run_in_executor(painter(), make)


@cache
def painter() -> ThreadPoolExecutor:
    """The drawing thread. There is only one, because matplotlib is not safe for use by several."""
    return ThreadPoolExecutor(1, thread_name_prefix="quietcuff-painter")


@cache
def load_library() -> Path:
    """Load matplotlib with its default settings, and return the folder of its fonts.

    It needs a writable folder while it loads: the one in its own environment variable if that is writable, otherwise a
    temporary one.
    """
    # Its warnings are about fonts and folders of the machine, which say nothing to the service's log.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    named = os.environ.get("MPLCONFIGDIR")
    if named and os.path.isdir(named) and os.access(named, os.W_OK):
        return _load()
    folder = tempfile.mkdtemp(prefix="quietcuff-")
    os.environ["MPLCONFIGDIR"] = folder
    try:
        return _load()
    finally:
        if named is None:
            del os.environ["MPLCONFIGDIR"]
        else:
            os.environ["MPLCONFIGDIR"] = named
        shutil.rmtree(folder, ignore_errors=True)


def _load() -> Path:
    import matplotlib as mpl
    import matplotlib.backends.backend_svg
    import matplotlib.font_manager
    import matplotlib.textpath

    # Asked for now, while the folder is there: the library remembers both, and would look for a home folder later.
    mpl.get_configdir()
    mpl.get_cachedir()
    mpl.rcParams.update(mpl.rcParamsDefault)
    mpl.rcParams.update(SETTINGS)
    return Path(mpl.get_data_path()) / "fonts/ttf"


@cache
def font(size: float, *, bold: bool = False) -> FontProperties:
    """The font in a size (points)."""
    file = load_library() / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    from matplotlib.font_manager import FontProperties

    return FontProperties(fname=str(file), size=size)


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of text in points."""
    properties = font(size, bold=bold)
    from matplotlib.textpath import text_to_path

    return float(text_to_path.get_text_width_height_descent(text, properties, False)[0])


def wrapped(text: str, size: float, width: float) -> list[str]:
    """A text in lines no wider than ``width`` points, broken at spaces. No-break spaces stay."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


class DrawingSheet:
    """A page to draw on, in points from its lower left corner."""

    def __init__(self, width: float, height: float) -> None:
        load_library()
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / POINTS_PER_INCH, height / POINTS_PER_INCH), dpi=POINTS_PER_INCH)
        self._points = Affine2D().scale(1 / POINTS_PER_INCH) + self.figure.dpi_scale_trans

    def panel(self, left: float, bottom: float, width: float, height: float) -> Axes:
        """A pair of axes at a place, without ticks."""
        place = (left / self.width, bottom / self.height, width / self.width, height / self.height)
        axes = self.figure.add_axes(place)
        axes.set_xticks([])
        axes.set_yticks([])
        return axes

    def write(self, x: float, y: float, text: str, size: float, *, bold: bool = False, **looks: Any) -> Text:
        """Write a line of text; ``y`` is its baseline unless ``va`` says otherwise."""
        looks = {"ha": "left", "va": "baseline", **looks}
        return self.figure.text(x, y, text, fontproperties=font(size, bold=bold), transform=self._points, **looks)

    def stroke(self, xs: list[float], ys: list[float], **looks: Any) -> None:
        """Draw a line, or marks, through points of the page."""
        from matplotlib.lines import Line2D

        self.figure.add_artist(Line2D(xs, ys, transform=self._points, **looks))

    def block(self, x: float, y: float, width: float, height: float, **looks: Any) -> None:
        """Draw a rectangle."""
        from matplotlib.patches import Rectangle

        self.figure.add_artist(Rectangle((x, y), width, height, transform=self._points, **looks))

    def svg(self, title: str, description: str, language: str | None = None) -> bytes:
        """The picture as SVG, with a title and a description, but without a date or the name of a program."""
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        drawn = io.StringIO()
        nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
        canvas: Any = FigureCanvasSVG(self.figure)
        canvas.print_svg(drawn, metadata=nothing)
        # The library puts a document type with an outside address before the picture; a reader need not ask there.
        start = drawn.getvalue().index("<svg ")
        opening, inside = drawn.getvalue()[start:].split(">", 1)
        spoken = "" if language is None else f' lang="{language}"'
        told = f"<title>{escape(title)}</title>\n <desc>{escape(description)}</desc>"
        return f'<?xml version="1.0" encoding="utf-8"?>\n{opening}{spoken} role="img">\n {told}{inside}'.encode()
