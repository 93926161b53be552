"""The shipped material profiles load, and a wrong file is refused in one plain sentence."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from hoofsense.materials import load_profile, profile_names, sources_of, summary_of
from hoofsense.units import si_from


def shipped_text(name: str) -> str:
    return resources.files("hoofsense.materials").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def changed(tmp_path: Path, pattern: str, replacement: str) -> Path:
    text, count = re.subn(pattern, replacement, shipped_text("standard"), count=1, flags=re.MULTILINE)
    assert count == 1
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_three_generic_profiles_ship() -> None:
    assert profile_names() == ("cold-weather", "fast", "standard")


@pytest.mark.parametrize("name", profile_names())
def test_a_shipped_profile_loads_and_names_the_source_of_every_number(name: str) -> None:
    profile = load_profile(name)
    assert profile.name == name
    assert summary_of(name)
    sources = sources_of(name)
    assert len(sources) == 23
    assert all(number.source for number in sources)
    assert len(profile.assumptions) == sum(number.assumed for number in sources)


def test_a_file_that_does_not_say_what_a_unit_holds_is_taken_to_hold_200_mL(tmp_path: Path) -> None:
    assert load_profile("standard").unit_m3 == pytest.approx(200e-6)
    silent = load_profile(changed(tmp_path, r"^\[package\]\nunit = .*$", ""))
    assert silent.unit_m3 == pytest.approx(200e-6)
    assert any(said.startswith("unit 200 mL") for said in silent.assumptions)
    own = load_profile(changed(tmp_path, r"^unit = \{ value = 200", "unit = { value = 75"))
    assert own.unit_m3 == pytest.approx(75e-6)
    with pytest.raises(ValueError, match=r"package\.unit"):
        load_profile(changed(tmp_path, r"^unit = \{ value = 200", "unit = { value = 20000"))


@pytest.mark.parametrize("name", profile_names())
def test_no_shipped_profile_claims_logged_pours(name: str) -> None:
    assert load_profile(name).logged_pours == 0


def test_the_standard_reference_pour_is_firm_in_15_minutes_at_21_degC() -> None:
    # Common practice, no source: firm in about 15 min in mild weather.
    profile = load_profile("standard")
    assert profile.reference_firm_s == pytest.approx(900.0)
    assert profile.reference_air_K == pytest.approx(294.15)
    assert profile.reference_thickness_m == pytest.approx(0.008)
    assert profile.activation_energy_J_per_mol == 52e3
    assert profile.activation_energy_u_J_per_mol == 8e3


def test_a_file_of_ones_own_may_use_inches_and_fahrenheit(tmp_path: Path) -> None:
    path = changed(tmp_path, r"value = 8.0, unit = \"mm\"", 'value = 0.25, unit = "[in_i]"')
    assert load_profile(path).reference_thickness_m == pytest.approx(0.00635)
    path = changed(tmp_path, r"^air = \{ value = 21.0, unit = \"Cel\"", 'air = { value = 70, unit = "[degF]"')
    assert load_profile(str(path)).reference_air_K == pytest.approx(si_from(70.0, "[degF]"))


def test_a_logged_range_is_read(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        r"^pours = 0\ncovered_ratio = 0.0",
        'pours = 12\ncovered_ratio = 0.92\nlow = { value = -5, unit = "Cel" }\n'
        'high = { value = 30, unit = "Cel" }',
    )
    profile = load_profile(path)
    assert (profile.logged_pours, profile.logged_covered_ratio) == (12, 0.92)
    assert profile.logged_low_K == pytest.approx(268.15)
    assert profile.logged_high_K == pytest.approx(303.15)


def test_glass_temperatures_are_optional_and_read_when_given(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        r"^\[thresholds\]",
        'glass_start = { value = -60, unit = "Cel", source = "a test" }\n'
        'glass_full = { value = 40, unit = "Cel", source = "a test" }\n[thresholds]',
    )
    profile = load_profile(path)
    assert profile.glass_start_K == pytest.approx(213.15)
    assert profile.glass_full_K == pytest.approx(313.15)
    assert load_profile("standard").glass_full_K is None


@pytest.mark.parametrize(
    ("pattern", "replacement", "message"),
    [
        (r'^name = "standard"', "nam = 3", "nam is not part"),
        (r'^name = "standard"', "", "name is missing"),
        (r"^thickness = .*$", "", "thickness is missing"),
        (r"^thickness = .*$", "thickness = 8", "must be a value with its unit"),
        (r"value = 8.0", 'value = "eight"', "not a number"),
        (r"value = 8.0", "value = nan", "not a number"),
        (r"value = 8.0", "value = 80.0", "outside"),
        (r'unit = "mm"', 'unit = "min"', "is in 'min'"),
        (r'unit = "mm", source = "[^"]*"', 'unit = "mm"', "does not say where it comes from"),
        (r"assumed = true }", 'assumed = "yes" }', "write true or false"),
        (r"value = 0.80", "value = 0.95", "must rise work < firm < load < full"),
        (r"^\[solid\]", "[solids]", "solids is not part"),
        (r"^density", "densty", "densty is not part"),
        (r"^pours = 0", "pours = -1", "whole number"),
        (r"^pours = 0", "pours = 12", "have no range of air"),
        (r"^covered_ratio = 0.0", "covered_ratio = 1.5", "share from 0 to 1"),
        (r"^pours = 0", 'pours = 0\nlow = "cold"', "logged.low must be like"),
        (r"^pours = 0", 'pours = 0\nlow = { value = 1.0, unit = "Cel" }', "both be given"),
        (r"^\[solid\]", "[solid", "not valid TOML"),
        (r"^shape_n = ", 'glass_full = { value = 40, unit = "Cel", source = "x" }\nshape_n = ', "or neither"),
    ],
)
def test_nonsense_is_refused_with_what_to_do(
    tmp_path: Path, pattern: str, replacement: str, message: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        load_profile(changed(tmp_path, pattern, replacement))
    assert "\n" not in str(caught.value)


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(ValueError, match="use one of cold-weather, fast, standard"):
        load_profile("granite")


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ValueError, match="not UTF-8"):
        load_profile(path)
