"""A small run of the cure study: it still runs, and no reading advances an answer without authority."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest


def test_no_unvalidated_answer_is_advanced_in_any_kind_of_trouble(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    import cure_coverage_study as study
    from cure_truth import KINDS, Weather, drawn

    generator = np.random.default_rng(study.SEED)
    late = 0
    for kind in KINDS:
        pours = drawn(study.PROFILE, Weather(21.0, 21.0, None), kind, 1, generator)
        result = study.studied(pours, generator)
        assert result.advanced == 0
        assert result.shown.answers == len(study.ASKED_min)
        assert result.touched.answers == 1
        late += result.touched.late
    assert late <= 2, "a firm touch and the wait after it must nearly always be enough"
