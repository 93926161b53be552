"""Public data sets by name, and invented pads of horses that go together."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parent / "public_data"
Columns = dict[str, np.ndarray]


@pytest.fixture(scope="session")
def public_data() -> Callable[[str], Columns]:
    """public_data("flies") -> its columns as float64; see public_data/ORIGIN.md."""

    def read(name: str) -> Columns:
        with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            heading, *rows = csv.reader(file)
        table = np.array(rows, dtype=np.float64)
        return {column: table[:, number] for number, column in enumerate(heading)}

    return read


@pytest.fixture
def invented_pads() -> Callable[..., Columns]:
    """Invented pads: Weibull lives that depend on x, on the horse and on chance, looked at every visit_d
    days.

    Columns: horse, x, last_on_d, noticed_off_d (infinity for never), followed_d and lost (as if watched
    daily).
    """

    def make(
        seed: int,
        horses: int = 40,
        pads_each: int = 6,
        log_time_ratio: float = 0.0,
        horse_spread: float = 0.0,
        visit_d: int = 7,
        last_d: int = 42,
        x_of_horse: bool = False,
        scale_d: float = 90.0,
        shape: float = 1.5,
    ) -> Columns:
        rng = np.random.default_rng(seed)
        horse = np.repeat(np.arange(horses), pads_each)
        own = rng.normal(0.0, 1.0, horses)[horse] if x_of_horse else rng.normal(0.0, 1.0, horse.size)
        x = (own > 0.0).astype(np.float64)
        location = np.log(scale_d) + log_time_ratio * x + horse_spread * rng.normal(0.0, 1.0, horses)[horse]
        life_d = np.exp(location) * rng.weibull(shape, horse.size)
        lost = life_d <= last_d
        before = np.minimum(np.floor(life_d / visit_d) * visit_d, last_d)
        return {
            "horse": horse,
            "x": x,
            "last_on_d": before,
            "noticed_off_d": np.where(lost, np.minimum(before + visit_d, last_d), np.inf),
            "followed_d": np.minimum(np.ceil(life_d), last_d),
            "lost": lost,
        }

    return make
