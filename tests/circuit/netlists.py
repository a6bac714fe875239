"""The netlists of the circuit check: their parameters, their simulation, and the table of their pitches.

``python -m tests.circuit.netlists`` simulates every deck and writes the table anew.
"""

import csv
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(str(files("fixtures") / "reference" / "circuit"))
TABLE = FOLDER / "pitch.csv"
CIRCUIT = "oscillator.cir"
VARIANTS = ("everything", "dead_time_only", "bulk_resistance_only")
SWEEP_V = np.linspace(0.0, 8.0, 17)

PARAMETER_LINE = re.compile(r"^\.param (\w+) = (\S+)$", re.MULTILINE)

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None,
    reason="the circuit simulator ngspice is not installed (Debian package ngspice)",
)


@dataclass(frozen=True, slots=True)
class Simulated:
    """What the simulator measured: one period, the mean of three, and the ramp as if it began at 0 V."""

    first_period_s: float
    period_s: float
    ramp_s: float

    @property
    def frequency_hz(self) -> float:
        return 1.0 / self.period_s

    @property
    def pitch(self) -> float:
        return -float(np.log2(self.period_s))


class SimulationFailedError(Exception):
    """The simulator gave no period; its own words are quoted."""


def parameters_of(variant: str) -> dict[str, float]:
    """The ``.param`` lines of a deck by name, SI units."""
    deck = (FOLDER / f"{variant}.cir").read_text(encoding="ascii")
    return {name: float(value) for name, value in PARAMETER_LINE.findall(deck)}


def deck_with(variant: str, settings: Mapping[str, float]) -> str:
    """The deck with some parameters set anew.

    :raises KeyError: the deck has no such parameter.
    """
    deck = (FOLDER / f"{variant}.cir").read_text(encoding="ascii")
    for name, value in settings.items():
        deck, found = re.subn(rf"^\.param {name} = \S+$", f".param {name} = {float(value)!r}", deck, flags=re.MULTILINE)
        if found != 1:
            raise KeyError(f"{variant}.cir has no parameter {name}")
    return deck


@cache
def simulate(variant: str, **settings: float) -> Simulated:
    """Run the simulator on a deck with some parameters set anew, once for the same ones.

    :raises SimulationFailedError: the oscillator did not run, or one period differs by 1e-6 from the mean of
        three.
    """
    with tempfile.TemporaryDirectory() as folder:
        shutil.copy(FOLDER / CIRCUIT, folder)
        (Path(folder) / "deck.cir").write_text(deck_with(variant, settings), encoding="ascii")
        run = subprocess.run(
            ["ngspice", "-b", "-r", "ramp.raw", "deck.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        if run.returncode != 0:
            raise SimulationFailedError(f"{variant} with {settings}: {run.stderr[-400:]}")
        time_s, share = waveform((Path(folder) / "ramp.raw").read_bytes())
    simulated = measured(time_s, share)
    if abs(simulated.first_period_s / simulated.period_s - 1.0) > 1e-6:
        raise SimulationFailedError(f"{variant} with {settings}: unequal periods {simulated}")
    return simulated


def waveform(raw: bytes) -> tuple[np.ndarray, np.ndarray]:
    """Time and the one saved voltage from the simulator's binary file: text header, then pairs of doubles."""
    header, _, values = raw.partition(b"Binary:\n")
    if b"No. Variables: 2\n" not in header:
        raise SimulationFailedError(f"two columns were expected: {header.decode('ascii')}")
    pairs = np.frombuffer(values, dtype=np.float64).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def measured(time_s: np.ndarray, share: np.ndarray) -> Simulated:
    """Periods between upward crossings of half the threshold, leaving out the first cycle.

    Between two computed points of the ramp a straight line is exact: the current is constant.
    """
    low_s, middle_s, high_s = (upward_crossings(time_s, share, level) for level in (0.2, 0.5, 0.8))
    if len(middle_s) < 5:
        raise SimulationFailedError(f"only {len(middle_s)} cycles were seen")
    return Simulated(
        first_period_s=float(middle_s[2] - middle_s[1]),
        period_s=float(middle_s[4] - middle_s[1]) / 3.0,
        ramp_s=float(high_s[2] - low_s[2]) / 0.6,
    )


def upward_crossings(time_s: np.ndarray, share: np.ndarray, level: float) -> np.ndarray:
    before = np.flatnonzero((share[:-1] < level) & (share[1:] >= level))
    part = (level - share[before]) / (share[before + 1] - share[before])
    return np.asarray(time_s[before] + part * (time_s[before + 1] - time_s[before]))


def simulated_sweep(variant: str, at_v: np.ndarray = SWEEP_V, **settings: float) -> np.ndarray:
    """Pitch at each CV, octaves re 1 Hz."""
    return np.array([simulate(variant, cv=float(cv_v), **settings).pitch for cv_v in at_v])


def stored_sweep(variant: str) -> np.ndarray:
    """Pitch at each CV of the sweep from the table, octaves re 1 Hz."""
    with TABLE.open(encoding="ascii", newline="") as table:
        rows = [row for row in csv.DictReader(table) if row["variant"] == variant]
    assert [float(row["cv_v"]) for row in rows] == list(SWEEP_V)
    return np.log2([float(row["frequency_hz"]) for row in rows])


def write_table(path: Path) -> None:
    """Simulate every variant and write the table."""
    with path.open("w", encoding="ascii", newline="") as table:
        writer = csv.writer(table, lineterminator="\n")
        writer.writerow(["variant", "cv_v", "frequency_hz"])
        for variant in VARIANTS:
            for cv_v, pitch in zip(SWEEP_V, simulated_sweep(variant), strict=True):
                writer.writerow([variant, f"{cv_v:.1f}", f"{2.0**pitch:.7f}"])


if __name__ == "__main__":
    write_table(TABLE)
