"""Optional packages by extra, and the refusal when one is missing."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Literal, TypeAlias

from quietcuff.core.model.errors import NotInstalled

Extra: TypeAlias = Literal["pictures", "analytics", "cluster", "traces"]
# The modules that each extra of pyproject.toml brings, without those that come along with them.
MODULES: dict[Extra, tuple[str, ...]] = {
    "pictures": ("matplotlib",),
    "analytics": ("numpy", "pyarrow", "scipy"),
    "cluster": ("numpy", "pyarrow", "scipy", "dask", "distributed"),
    "traces": ("opentelemetry.sdk", "opentelemetry.instrumentation.asgi", "opentelemetry.exporter.otlp.proto.http"),
}


def is_installed(extra: Extra) -> bool:
    """True where the packages of an extra are there; none is loaded."""
    # Found and not imported: loading them takes seconds that a refused request need not wait for.
    try:
        return all(find_spec(module) is not None for module in MODULES[extra])
    # A package of many, of which not even the outermost is there.
    except ModuleNotFoundError:
        return False


def require(extra: Extra) -> None:
    """Check that the packages of an extra are installed, without loading them.

    Raises:
        NotInstalled: one is missing.
    """
    if not is_installed(extra):
        raise NotInstalled(extra)
