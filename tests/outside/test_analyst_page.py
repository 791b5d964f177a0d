"""The analyst's page, run as it stands: a client registers, gets a token, and ends with a data frame."""

from __future__ import annotations

import re
import runpy
from pathlib import Path
from typing import Any

import polars
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from outside.test_fhir_clients import SITTINGS, desk
from quietcuff.cli import main

__all__ = ["desk"]
PAGE = Path(__file__).parents[2] / "docs" / "analyst.md"


def register(server: Any, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """A client with a key pair of its own, registered on the command line; what its program must know."""
    key = ec.generate_private_key(ec.SECP384R1())
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    (folder / "reader.pem").write_bytes(public)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", server.database_url)
    naming = ["--tenant", "clinic", "--name", "monthly figures", "--scope", "system/Observation.rs"]
    assert main(["clients", "register", *naming, "--public-key", str(folder / "reader.pem")]) == 0
    said = capsys.readouterr()
    kid = re.search(r"kid is (\S+)\.", said.err)
    assert kid is not None
    pem = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()
    return {"BASE": server.url, "CLIENT": said.out.strip(), "KID": kid[1], "PRIVATE_KEY": pem}


def test_the_ten_lines_end_with_a_data_frame(
    desk: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (block,) = re.findall(r"^```python\n(.*?)^```$", PAGE.read_text("utf-8"), re.M | re.S)
    assert len([line for line in block.splitlines() if line and not line.startswith("import")]) <= 10
    names: dict[str, Any] = register(desk.server, tmp_path, monkeypatch, capsys)
    (tmp_path / "figures.py").write_text(block, "utf-8")
    frame = runpy.run_path(str(tmp_path / "figures.py"), init_globals=names)["frame"]
    assert frame.shape == (SITTINGS, 5)
    assert sorted(frame["systolic"]) == [130 + day for day in range(1, SITTINGS + 1)]
    assert set(frame["diastolic"]) == {84} and set(frame["status"]) == {"final"}
    assert frame["person"].n_unique() == 1
    assert isinstance(frame, polars.DataFrame)
