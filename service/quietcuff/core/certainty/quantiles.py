"""The middle 95 per cent of one pressure: quantiles of a mixture of normal distributions, to four decimals.

A pressure is told of by its parts: the share, the mean and the standard deviation of each, in mmHg.
"""

from __future__ import annotations

from math import erfc, exp, floor, pi, sqrt

from quietcuff.core.model.fields import four_decimals_half_up

TWO_SIDED_95 = 1.959963984540054
UPPER_TAIL = 0.975
MOST_STEPS = 60
CLOSE_ENOUGH_MMHG = 1e-6
ROOT_HALF = sqrt(0.5)
ROOT_OF_PI = sqrt(pi)
ROOT_OF_TWO_PI = sqrt(2 * pi)
MOST_SERIES_STEPS = 5
# The largest values of the second and the third derivative of the standard normal distribution, a little more, at z = 1 and 0:
# twice the one, and a sixth of the other.
RISES = 2 * 0.242
BENDS = 0.399 / 6
FAR_MMHG = 5.0
# What is allowed for the last bits, and for how far from the quantile the plain method may end: both are below 1e-10.
NOISE_MMHG = 1e-8
SAFE_WAY_MMHG = 1e-3

Parts = list[tuple[float, float, float]]
# The mean, the variance, and the third and the fourth cumulant, which are zero where there is one part.
Cumulants = tuple[float, float, float, float]
# Of each of two parts half its share, its mean, 1/(sd·√2) and its largest density; and the largest that 2F'' and F'''/6 can be.
Terms = tuple[float, float, float, float, float, float, float, float, float, float]


def cumulants_of(parts: Parts) -> Cumulants:
    """The first four cumulants of a mixture."""
    if len(parts) == 2:
        # Most mixtures have two parts: the same as below, written out.
        (share, middle, sd), (rest, beside, beside_sd) = parts
        mean = share * middle + rest * beside
        away, beyond, own, others = middle - mean, beside - mean, sd * sd, beside_sd * beside_sd
        apart, far = away * away, beyond * beyond
        variance = share * (own + apart) + rest * (others + far)
        fourth = share * (3 * own * own + apart * (6 * own + apart)) + rest * (3 * others * others + far * (6 * others + far))
        third = share * away * (3 * own + apart) + rest * beyond * (3 * others + far)
        return mean, variance, third, fourth - 3 * variance * variance
    if len(parts) == 1:
        _, mean, sd = parts[0]
        return mean, sd * sd, 0.0, 0.0
    mean = variance = third = fourth = 0.0
    for share, middle, _ in parts:
        mean += share * middle
    for share, middle, sd in parts:
        own, away = sd * sd, middle - mean
        apart = away * away
        variance += share * (own + apart)
        third += share * away * (3 * own + apart)
        fourth += share * (3 * own * own + apart * (6 * own + apart))
    return mean, variance, third, fourth - 3 * variance * variance


def ends_of(parts: Parts, cumulants: Cumulants, added_sd_mmhg: float = 0.0) -> tuple[float, float]:
    """Both ends of the middle 95 per cent, to four decimals; an error of ``added_sd_mmhg`` widens every part."""
    added = added_sd_mmhg * added_sd_mmhg
    if len(parts) == 1:
        _, middle, sd = parts[0]
        half = TWO_SIDED_95 * sqrt(sd * sd + added)
        return four_decimals_half_up(middle - half), four_decimals_half_up(middle + half)
    if len(parts) > 2:
        wide = widened(parts, added)
        return four_decimals_half_up(quantile(wide, 1 - UPPER_TAIL)), four_decimals_half_up(quantile(wide, UPPER_TAIL))
    mean, variance, third, fourth = cumulants
    # An independent normal error adds its variance, and nothing to the cumulants after it.
    low, high = ends_nearly((mean, variance + added, third, fourth))
    terms = terms_of(parts, added)
    return rounded_quantile(parts, terms, 1 - UPPER_TAIL, low, added), rounded_quantile(parts, terms, UPPER_TAIL, high, added)


def widened(parts: Parts, added: float) -> Parts:
    """The parts with an error of their own, of the variance ``added``."""
    return [(share, middle, sqrt(sd * sd + added)) for share, middle, sd in parts] if added else parts


def ends_nearly(cumulants: Cumulants) -> tuple[float, float]:
    """Both ends about where they are. Cornish and Fisher's expansion, two terms."""
    mean, variance, third, fourth = cumulants
    sd = sqrt(variance)
    skewness, excess = third / (variance * sd), fourth / (variance * variance)
    # (z² - 1)/6, (z³ - 3z)/24 and (2z³ - 5z)/36 at z = 1.96.
    middle = mean + sd * 0.473576 * skewness
    half = sd * (TWO_SIDED_95 + 0.068718 * excess - 0.146067 * skewness * skewness)
    return middle - half, middle + half


def terms_of(parts: Parts, added: float = 0.0) -> Terms:
    """What the series of a mixture of two parts takes from them at every pressure; ``added`` is a variance beside theirs."""
    (share, middle, sd), (rest, beside, beside_sd) = parts
    if added:
        sd, beside_sd = sqrt(sd * sd + added), sqrt(beside_sd * beside_sd + added)
    over, beyond = ROOT_HALF / sd, ROOT_HALF / beside_sd
    # No mixture bends more than one part with the whole share and the smaller standard deviation.
    narrow = 1 / (sd if sd < beside_sd else beside_sd)
    bent = narrow * narrow
    own, other = share * over / ROOT_OF_PI, rest * beyond / ROOT_OF_PI
    return 0.5 * share, middle, over, own, 0.5 * rest, beside, beyond, other, RISES * bent, BENDS * bent * narrow


def rounded_quantile(parts: Parts, terms: Terms, below: float, at: float, added: float = 0.0) -> float:
    """The quantile of two parts to four decimals, from a pressure near it: steps of a series, until the rounding is certain.

    With F the chance to be below, less ``below``, a step t solves F + F't + F''t²/2 = 0. What is left of F after it is the next
    term, which is at most t³/6 of the largest F''' that the parts can have; and the density is at most the largest F'' of the
    parts, times the way, less than at the start. Both bound what is left of the way. ``added`` is a variance beside the parts'.
    """
    half, middle, over, height, other_half, other_middle, beyond, other_height, rises, bends = terms
    for _ in range(MOST_SERIES_STEPS):
        z, y = (middle - at) * over, (other_middle - at) * beyond
        density, beside = height * exp(-z * z), other_height * exp(-y * y)
        slope = density + beside
        excess, reach = half * erfc(z) + other_half * erfc(y) - below, slope * FAR_MMHG
        # Far out, or between two parts, the plain method finds the way.
        if not -reach < excess < reach:
            break
        # All of it over the density, so that chances become ways.
        first = excess / slope
        root = 1 - 4 * first * ((density * over * z + beside * beyond * y) / slope)
        if root <= 0:
            break
        step = 2 * first / (1 + sqrt(root))
        at -= step
        way = step if step > 0 else -step
        left = bends * way * way * way
        # The least that the density can be on the way.
        least = slope - rises * (way + SAFE_WAY_MMHG)
        if left < way * least:
            count, error = at * 10_000 + 0.5, (left / least + NOISE_MMHG) * 10_000
            rounded = floor(count)
            if error < count - rounded < 1 - error:
                return rounded / 10_000 if rounded % 10_000 else rounded // 10_000
    return four_decimals_half_up(quantile(widened(parts, added), below))


def quantile(parts: Parts, below: float) -> float:
    """The pressure below which a share of the mixture lies, by Newton's method between bounds that always contain it.

    An equal mixture of N(110, 5²) and N(140, 5²) has its middle at 125.
    """
    reach = TWO_SIDED_95 + 6
    low = min([middle - reach * sd for _, middle, sd in parts])
    high = max([middle + reach * sd for _, middle, sd in parts])
    mean, variance, _, _ = cumulants_of(parts)
    at = mean + (TWO_SIDED_95 if below > 0.5 else -TWO_SIDED_95 if below < 0.5 else 0.0) * sqrt(variance)
    terms = [(share, middle, each, each * ROOT_OF_TWO_PI) for share, middle, each in parts]
    for _ in range(MOST_STEPS):
        excess, slope = -below, 0.0
        for share, middle, each, width in terms:
            z = (at - middle) / each
            excess += share * (0.5 * erfc(-z * ROOT_HALF))
            slope += share * exp(-0.5 * z * z) / width
        low, high = (low, at) if excess > 0 else (at, high)
        step = excess / slope if slope > 0 else high - low
        if abs(step) < CLOSE_ENOUGH_MMHG:
            return at - step
        # Between two parts the density is almost zero and Newton's step leaps out of the bounds: halve them instead.
        after = at - step
        at = after if low < after < high else (low + high) / 2
    return at
