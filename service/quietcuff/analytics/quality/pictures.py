"""The pictures of the page as SVG, in the colours of the page's style; each has a title and says in words what it shows."""

from __future__ import annotations

from html import escape
from math import ceil, floor, log10, sqrt

from quietcuff.analytics.quality.intervals import z_of
from quietcuff.analytics.quality.number_figures import INTERVAL_BIN_SECONDS
from quietcuff.analytics.quality.shapes import DigitFigures, Funnel, HeapFigures, Months
from quietcuff.analytics.quality.words import short_code

WIDTH, HEIGHT = 360, 190
LEFT, RIGHT, TOP, BOTTOM = 40, 8, 12, 30
LINES = 60


class Canvas:
    """A plane of two axes that gathers the elements drawn on it."""

    def __init__(self, across: tuple[float, float], up: tuple[float, float]) -> None:
        self.across, self.up = across, up
        self.parts: list[str] = []

    def x(self, value: float) -> float:
        low, high = self.across
        return round(LEFT + (value - low) / (high - low or 1) * (WIDTH - LEFT - RIGHT), 1)

    def y(self, value: float) -> float:
        low, high = self.up
        return round(HEIGHT - BOTTOM - (value - low) / (high - low or 1) * (HEIGHT - TOP - BOTTOM), 1)

    def bar(self, start: float, end: float, height: float, kind: str = "bar") -> None:
        """A bar from the lower edge."""
        left, right, top = self.x(start), self.x(end), self.y(height)
        tall = round(self.y(self.up[0]) - top, 1)
        self.parts.append(f'<rect class="{kind}" x="{left}" y="{top}" width="{round(right - left, 1)}" height="{tall}"/>')

    def line(self, points: list[tuple[float, float]], kind: str) -> None:
        """A line through points."""
        drawn = " ".join(f"{self.x(across)},{self.y(up)}" for across, up in points)
        self.parts.append(f'<polyline class="{kind}" points="{drawn}"/>')

    def area(self, points: list[tuple[float, float]]) -> None:
        """A filled shape."""
        drawn = " ".join(f"{self.x(across)},{self.y(up)}" for across, up in points)
        self.parts.append(f'<polygon class="band" points="{drawn}"/>')

    def dot(self, across: float, up: float, *, ringed: bool = False) -> None:
        """A point, ringed where it is called."""
        self.parts.append(f'<circle class="dot" cx="{self.x(across)}" cy="{self.y(up)}" r="3"/>')
        if ringed:
            self.parts.append(f'<circle class="ring" cx="{self.x(across)}" cy="{self.y(up)}" r="6.5"/>')

    def text(self, across: float, up: float, words: str, kind: str = "mid", *, below: bool = False) -> None:
        """Words at a place."""
        y = self.y(up) + 14 if below else self.y(up)
        self.parts.append(f'<text class="{kind}" x="{self.x(across)}" y="{round(y, 1)}">{escape(words)}</text>')

    def percents(self) -> None:
        """Lines and numbers of a share."""
        for value in ticks(*self.up):
            self.line([(self.across[0], value), (self.across[1], value)], "grid")
            self.parts.append(f'<text class="end" x="{LEFT - 4}" y="{self.y(value) + 3.5}">{100 * value:g} %</text>')

    def numbers(self) -> None:
        """Lines and numbers of a count."""
        for value in ticks(*self.up):
            self.line([(self.across[0], value), (self.across[1], value)], "grid")
            self.parts.append(f'<text class="end" x="{LEFT - 4}" y="{self.y(value) + 3.5}">{value:,.0f}</text>')

    def foot(self, words: str) -> None:
        """What the lower axis is."""
        self.parts.append(f'<text class="mid" x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 2}">{escape(words)}</text>')

    def svg(self, title: str) -> str:
        """The picture."""
        inside = "".join(self.parts)
        return f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(title)}">{inside}</svg>'


def ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Round values between two ends: 0 to 0.23 gives 0, 0.1, 0.2."""
    span = high - low
    if span <= 0:
        return [low]
    rough = span / most
    base = float(10 ** floor(log10(rough)))
    step = next(base * times for times in (1, 2, 5, 10) if base * times >= rough * 0.999)
    return [round(step * place, 10) for place in range(ceil(low / step), floor(high / step + 1e-9) + 1)]


def digits_picture(digits: DigitFigures, title: str) -> str:
    """A bar for each last digit, and a line where each would be."""
    shares = [count / max(1, digits.readings) for count in digits.counts]
    canvas = Canvas((-0.6, 9.6), (0, max(*shares, 1.5 * digits.expected_share) * 1.05))
    canvas.percents()
    for digit, share in enumerate(shares):
        if digits.step_mmhg == 1 or digit % 2 == 0 or share > 0:
            canvas.bar(digit - 0.38, digit + 0.38, share, "bar" if digit % digits.step_mmhg == 0 else "bar off")
        canvas.text(digit, 0, str(digit), below=True)
    canvas.line([(-0.6, digits.expected_share), (9.6, digits.expected_share)], "dash")
    canvas.foot("last digit")
    return canvas.svg(title)


def funnel_picture(funnel: Funnel, title: str) -> str:
    """Shares against how many each is of, with both limits; what stands out has a ring and its code."""
    most = 1.08 * max(place.eligible for place in funnel.places)
    shares = [place.share for place in funnel.places]
    reach = 0.5 * sqrt(max(funnel.target * (1 - funnel.target), 0.002) / 12)
    low = max(0.0, min(*shares, funnel.target - reach) - 0.03)
    high = min(1.0, max(*shares, funnel.target + reach) + 0.04)
    canvas = Canvas((0, most), (low, high))
    canvas.percents()
    sizes = [most * (place / LINES) ** 2 for place in range(1, LINES + 1)]
    for level, kind in ((0.95, "dash"), (0.998, "limit")):
        for side in (-1, 1):
            points = [(n, funnel.target + side * z_of(level) * sqrt(funnel.target * (1 - funnel.target) / n)) for n in sizes]
            inside = [(n, share) for n, share in points if low <= share <= high]
            if len(inside) > 1:
                canvas.line(inside, kind)
    canvas.line([(0, funnel.target), (most, funnel.target)], "centre")
    for place in funnel.places:
        canvas.dot(place.eligible, place.share, ringed=place.stands_out)
        if place.stands_out:
            left = place.eligible > most / 2
            shift = -0.03 * most if left else 0.03 * most
            canvas.text(place.eligible + shift, place.share, short_code(place.code), "end" if left else "start")
    for value in ticks(0, most):
        canvas.text(value, low, f"{value:,.0f}", below=True)
    canvas.foot("how many it is of")
    return canvas.svg(title)


def months_picture(months: Months, title: str) -> str:
    """A share by month, the centre, and the band of chance; months where a change is called have a ring."""
    known = [(place, month) for place, month in enumerate(months.months) if month.share is not None]
    values = [value for _, month in known for value in (month.share, month.low, month.high) if value is not None]
    low, high = max(0.0, min(values) - 0.02), min(1.0, max(values) + 0.02)
    canvas = Canvas((-0.5, len(months.months) - 0.5), (low, high))
    canvas.percents()
    upper = [(place, month.high) for place, month in known if month.high is not None]
    lower = [(place, month.low) for place, month in known if month.low is not None]
    canvas.area([*upper, *reversed(lower)])
    canvas.line([(-0.5, months.centre), (len(months.months) - 0.5, months.centre)], "centre")
    canvas.line([(place, month.share) for place, month in known if month.share is not None], "path")
    every = max(1, ceil(len(months.months) / 6))
    for place, month in known:
        canvas.dot(place, month.share or 0.0, ringed=month.called is not None)
    for place, month in enumerate(months.months):
        if place % every == 0:
            canvas.text(place, low, month.month, below=True)
    return canvas.svg(title)


def intervals_picture(counts: list[int], title: str) -> str:
    """How many intervals there are of each length, in bins of 15 seconds, and a line at one minute."""
    canvas = Canvas((0, INTERVAL_BIN_SECONDS * len(counts)), (0, 1.05 * max(*counts, 1)))
    canvas.numbers()
    for place, count in enumerate(counts):
        start = INTERVAL_BIN_SECONDS * place
        canvas.bar(start + 1, start + INTERVAL_BIN_SECONDS - 1, count)
    canvas.line([(60, 0), (60, canvas.up[1])], "dash")
    for seconds in (0, 60, 120, 180, 240, 300):
        canvas.text(seconds, 0, f"{seconds}+" if seconds == 300 else str(seconds), below=True)
    canvas.foot("seconds since the reading before")
    return canvas.svg(title)


def threshold_picture(heap: HeapFigures, title: str) -> str:
    """Readings in bins of 2 mmHg around a threshold, with the smooth curve of the readings farther off."""
    first, last = heap.bins_from_mmhg[0], heap.bins_from_mmhg[-1] + 2
    canvas = Canvas((first, last), (0, 1.05 * max(*heap.bins_readings, *heap.bins_expected, 1)))
    canvas.numbers()
    for start, count in zip(heap.bins_from_mmhg, heap.bins_readings, strict=True):
        canvas.bar(start + 0.15, start + 1.85, count, "bar" if start < heap.threshold_mmhg else "bar high")
    canvas.line([(start + 1, each) for start, each in zip(heap.bins_from_mmhg, heap.bins_expected, strict=True)], "path")
    canvas.line([(heap.threshold_mmhg, 0), (heap.threshold_mmhg, canvas.up[1])], "dash")
    for value in range(first + (-first) % 10, last + 1, 10):
        canvas.text(value, 0, str(value), below=True)
    canvas.foot(f"{heap.pressure} reading, mmHg")
    return canvas.svg(title)
