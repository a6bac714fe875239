"""What a person types about batches, and what comes out."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from db.errors import NotFound
from rig.cli import app
from rig.errors import WrongInput

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from rig.invented.history import Told


@pytest.fixture
def typed(told: tuple[Path, Told], monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    monkeypatch.setenv("RIG_DATABASE_URL", f"sqlite:///{told[0]}")

    def run(*words: str) -> str:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    return run


def test_batches_are_listed_with_where_they_are(typed: Callable[..., str], codes: tuple[str, ...]):
    shown = typed("batches")
    assert all(code in shown for code in codes)
    assert "[demonstration]" in shown
    document = json.loads(typed("batches", "--json", "--latest", "1"))
    assert len(document["batches"]) == 1
    assert document["database"].startswith("sqlite:")


def test_a_batch_is_told_as_text_and_as_one_document(typed: Callable[..., str], codes: tuple[str, ...]):
    shown = typed("batch", codes[0])
    for words in (
        "First-pass yield",
        "Final yield",
        "Retests",
        "Minutes a unit",
        "Moves a visit",
        "Ppk",
        "Control charts",
    ):
        assert words in shown
    assert "DEMONSTRATION" in shown
    document = json.loads(typed("batch", codes[0], "--json"))
    assert document["products"][0]["batch"] == codes[0]


def test_judging_again_takes_several_batches_and_a_limits_file(
    typed: Callable[..., str], codes: tuple[str, ...], tmp_path: Path
):
    file = tmp_path / "limits.toml"
    file.write_text("[limits]\nbase_pitch_cents = 0.2\n", encoding="utf-8")
    shown = typed("rejudge", *codes, "--limits", str(file), "--curve")
    assert "no verdict was touched" in shown
    assert "Limit that each yield needs" in shown
    document = json.loads(typed("rejudge", codes[0], codes[0], "--curve", "--json"))
    assert document["batches"] == [codes[0]]
    assert document["differences"] == []
    assert document["curves"]


@pytest.mark.parametrize("command", ["batch", "rejudge"])
def test_who_only_asks_of_batches_waits_for_no_sqlalchemy(
    told: tuple[Path, Told], codes: tuple[str, ...], command: str
):
    program = "import sys; from rig.cli import main\ntry:\n    main()\nfinally:\n    print(*sys.modules)"
    ended = subprocess.run(
        [sys.executable, "-c", program, command, codes[0]],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "RIG_DATABASE_URL": f"sqlite:///{told[0]}"},
    )
    *shown, imported = ended.stdout.splitlines()
    assert codes[0] in shown[0]
    assert not {"sqlalchemy", "alembic"} & set(imported.split())


def test_wrong_input_ends_in_its_own_error(typed: Callable[..., str], codes: tuple[str, ...], tmp_path: Path):
    with pytest.raises(NotFound, match="No unit of batch"):
        typed("batch", "never 🎹")
    with pytest.raises(WrongInput, match="holds no Other"):
        typed("batch", codes[0], "--product", "Other")
    with pytest.raises(WrongInput, match="There is no limits file"):
        typed("rejudge", codes[0], "--limits", str(tmp_path / "none.toml"))
    with pytest.raises(WrongInput, match="has a verdict"):
        typed("rejudge", "never")
    with pytest.raises(WrongInput, match="A history has"):
        typed("demo", "--history", "3", "--into", str(tmp_path / "history.sqlite"))
