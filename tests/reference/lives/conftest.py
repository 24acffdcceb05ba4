"""The data sets of these checks, read by name; see SOURCE.md for where each comes from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from failstats.counts.risk_table import RiskTable

HERE = Path(__file__).parent / "data"


class LifeData:
    """Reads a set, and counts its lives."""

    @staticmethod
    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(HERE / f"{name}.csv")

    @staticmethod
    def table(frame: pd.DataFrame, age: str, failed: Any) -> RiskTable:
        return RiskTable.from_lives(0, frame[age].to_numpy(), np.asarray(failed, dtype=bool))

    def counted(self, name: str, age: str, failed: str) -> RiskTable:
        frame = self.read(name)
        return self.table(frame, age, frame[failed] > 0)

    def six_mp(self) -> RiskTable:
        frame = self.read("MASS_gehan")
        arm = frame[frame.treat == "6-MP"]
        return self.table(arm, "time", arm.cens == 1)


@pytest.fixture(scope="session")
def life_data() -> LifeData:
    return LifeData()
