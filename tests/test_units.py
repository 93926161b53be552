"""units.py against the exact definitions of its units."""

from __future__ import annotations

import pytest

from hoofsense.records import Quantity
from hoofsense.units import difference_in, si_difference_from, si_from, value_for, value_in


@pytest.mark.parametrize(
    ("value", "unit", "si"),
    [
        # The inch is exactly 25.4 mm (international yard and pound agreement, 1959).
        (1.0, "[in_i]", 0.0254),
        (0.4855, "[in_i]", 0.0123317),
        # NIST SP 811 (2008) appendix B.8: t/degC = (t/degF - 32)/1.8; -40 is the same on both.
        (-40.0, "[degF]", 233.15),
        (98.6, "[degF]", 310.15),
        (0.0, "Cel", 273.15),
        (50.55, "%", 0.5055),
        (1013.25, "hPa", 101325.0),
    ],
)
def test_units_convert_as_their_definitions_say(value: float, unit: str, si: float) -> None:
    assert si_from(value, unit) == pytest.approx(si, rel=1e-12)
    assert value_in(si, unit) == pytest.approx(value, rel=1e-12)


def test_a_difference_ignores_the_offset_of_the_scale() -> None:
    assert si_difference_from(1.8, "[degF]") == pytest.approx(1.0)
    assert difference_in(3.0, "Cel") == 3.0


def test_a_unit_of_another_dimension_is_refused_with_the_next_step() -> None:
    with pytest.raises(ValueError, match=r"cannot be given in 'mm'.*send a unit of temperature"):
        value_for(Quantity.AIR_TEMPERATURE, 1.0, "mm")
    with pytest.raises(ValueError, match="'furlong' is not known"):
        si_from(1.0, "furlong")
