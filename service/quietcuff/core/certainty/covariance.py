"""Two-by-two symmetric matrices as plain triples: systolic variance, covariance, diastolic variance (mmHg²)."""

from __future__ import annotations

Matrix = tuple[float, float, float]


def from_deviations(systolic: float, diastolic: float, correlation: float) -> Matrix:
    """The covariance of two pressures with these standard deviations: 7.5, 4.2, 0.6 give (56.25, 18.9, 17.64)."""
    return systolic * systolic, correlation * systolic * diastolic, diastolic * diastolic


def added(one: Matrix, other: Matrix) -> Matrix:
    """The sum of two matrices."""
    return one[0] + other[0], one[1] + other[1], one[2] + other[2]


def scaled(matrix: Matrix, times: float) -> Matrix:
    """A matrix times a number."""
    return matrix[0] * times, matrix[1] * times, matrix[2] * times


def inverse(matrix: Matrix) -> Matrix:
    """The inverse: of a covariance the precision, and back."""
    systolic, both, diastolic = matrix
    determinant = systolic * diastolic - both * both
    return diastolic / determinant, -both / determinant, systolic / determinant


def applied(matrix: Matrix, systolic: float, diastolic: float) -> tuple[float, float]:
    """A matrix times a pair of pressures."""
    return matrix[0] * systolic + matrix[1] * diastolic, matrix[1] * systolic + matrix[2] * diastolic
