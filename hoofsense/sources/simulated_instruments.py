"""The simulated instruments: what each one makes of the truth, as the bytes it would send.

Every instrument has its own faults (bias, noise, resolution), drawn once per visit from its own generator,
so that a change to one instrument leaves the others' bytes as they were.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hoofsense.physics.constants import (
    BOLTZMANN_J_per_K,
    PLANCK_J_s,
    SPEED_OF_LIGHT_m_per_s,
)
from hoofsense.sources.simulated_sole import Floats
from hoofsense.units import value_in
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.bthome import encode_bthome
from hoofsense.wire.gatt import encode_health_temperature

THERMOMETER = "thermometer-1"
AMBIENT = "ambient-1"
BRIDGE = "bridge-01"

EMISSIVITY_SET = 0.95  # what most surface thermometers are fixed to (common practice)
THERMOMETER_BIAS_K = 0.5  # standard deviation between instruments; +/-1 K is a usual accuracy class
THERMOMETER_NOISE_K = 0.15
FILM_SHARE = 0.1  # part of a covered fill's reading that comes from the cover: thin film is mostly clear

AMBIENT_BIAS_K = 0.15
AMBIENT_NOISE_K = 0.02
HUMIDITY_BIAS_percent = 1.0
HUMIDITY_NOISE_percent = 0.15
ADVERT_EVERY_s = 2.0
ADVERT_JITTER_s = (-0.02, 0.03)
REPEAT_AFTER_s = (0.08, 0.35)  # the same advert heard again on another channel
BATTERY_EVERY_ADVERTS = 30
BATTERY_AT_START_percent = (60, 98)
PRESSURE_hPa = 1013.25
_TEMPERATURE, _HUMIDITY, _PRESSURE, _BATTERY = 0x02, 0x03, 0x04, 0x01  # object ids of the advert format

CALIPER_NOISE_mm = 0.03  # how well a person repeats a depth
MS_PER_s = 1000.0
BRIDGE_BOOTED_BEFORE_s = 3.0  # before the visit's first second


_BAND_m = np.linspace(8e-6, 14e-6, 61)  # what such a thermometer's lens and detector let through
_BAND_TABLE_K = np.linspace(180.0, 900.0, 721)


def _band_exitance_W_per_m2(temperature_K: Floats) -> Floats:
    """Black-body exitance between 8 and 14 um (Planck's law, trapezoid rule), shape as given."""
    wave = _BAND_m[:, None]
    power = 2.0 * np.pi * PLANCK_J_s * SPEED_OF_LIGHT_m_per_s**2 / wave**5
    exponent = PLANCK_J_s * SPEED_OF_LIGHT_m_per_s / (wave * BOLTZMANN_J_per_K * temperature_K)
    return np.asarray(np.trapezoid(power / np.expm1(exponent), _BAND_m, axis=0))


_BAND_TABLE_W_per_m2 = _band_exitance_W_per_m2(_BAND_TABLE_K)


def band_exitance_W_per_m2(temperature_K: float) -> float:
    """Black-body exitance between 8 and 14 um, 180 to 900 K, within 0.1 % (table)."""
    return float(np.interp(temperature_K, _BAND_TABLE_K, _BAND_TABLE_W_per_m2))


@dataclass(slots=True)
class Thermometer:
    """An infrared thermometer: radiance in, a biased, noisy, rounded temperature out."""

    rng: np.random.Generator
    exponent: int
    noise_K: float = THERMOMETER_NOISE_K
    bias_K: float = field(init=False)
    battery_percent: int = field(init=False)

    def __post_init__(self) -> None:
        self.bias_K = float(self.rng.normal(0.0, THERMOMETER_BIAS_K))
        self.battery_percent = int(self.rng.integers(*BATTERY_AT_START_percent))

    def indicated_K(
        self,
        surface_K: float,
        emissivity: float,
        around_K: float,
        instrument_K: float,
        nozzle_K: float = 0.0,
        nozzle_view: float = 0.0,
    ) -> float:
        """What it shows for a surface that mirrors its surroundings and, perhaps, a hot nozzle.

        Temperatures 180 to 900 K. The instrument takes what is mirrored to be as warm as itself.
        """
        surface, around, instrument, nozzle = (
            band_exitance_W_per_m2(kelvin)
            for kelvin in (surface_K, around_K, instrument_K, max(nozzle_K, around_K))
        )
        mirrored = (1.0 - nozzle_view) * around + nozzle_view * nozzle
        seen = emissivity * surface + (1.0 - emissivity) * mirrored
        taken = (seen - (1.0 - EMISSIVITY_SET) * instrument) / EMISSIVITY_SET
        shown_K = float(np.interp(taken, _BAND_TABLE_W_per_m2, _BAND_TABLE_K))
        return shown_K + self.bias_K + float(self.rng.normal(0.0, self.noise_K))

    def payload(self, indicated_K: float) -> bytes:
        return encode_health_temperature(value_in(indicated_K, "Cel"), "Cel", self.exponent)


@dataclass(slots=True)
class AmbientSensor:
    """An ambient sensor that adverts every two seconds, each advert heard once or more."""

    rng: np.random.Generator
    duplicate_ratio: float
    bias_K: float = field(init=False)
    bias_percent: float = field(init=False)
    battery_percent: int = field(init=False)
    _packet_id: int = field(init=False)
    _next_s: float = field(init=False)
    _sent: int = 0

    def __post_init__(self) -> None:
        self.bias_K = float(self.rng.normal(0.0, AMBIENT_BIAS_K))
        self.bias_percent = float(self.rng.normal(0.0, HUMIDITY_BIAS_percent))
        self.battery_percent = int(self.rng.integers(*BATTERY_AT_START_percent))
        self._packet_id = int(self.rng.integers(0, 256))
        self._next_s = float(self.rng.uniform(0.0, ADVERT_EVERY_s))

    def adverts(self, until_s: float, air_K: float, humidity_ratio: float) -> list[tuple[float, bytes]]:
        """Every advert heard before until_s: (second of the visit, payload). humidity_ratio is RH, 0 to 1."""
        heard: list[tuple[float, bytes]] = []
        while self._next_s < until_s:
            at_s = self._next_s
            payload = self._payload(air_K, humidity_ratio)
            heard.append((at_s, payload))
            while self.rng.random() < self.duplicate_ratio:
                at_s += float(self.rng.uniform(*REPEAT_AFTER_s))
                heard.append((at_s, payload))
            self._next_s += ADVERT_EVERY_s + float(self.rng.uniform(*ADVERT_JITTER_s))
        return heard

    def _payload(self, air_K: float, humidity_ratio: float) -> bytes:
        celsius = value_in(air_K, "Cel") + self.bias_K + float(self.rng.normal(0.0, AMBIENT_NOISE_K))
        percent = value_in(humidity_ratio, "%") + self.bias_percent
        percent += float(self.rng.normal(0.0, HUMIDITY_NOISE_percent))
        values: list[tuple[int, float]] = [
            (_TEMPERATURE, celsius),
            (_HUMIDITY, min(100.0, max(0.0, percent))),  # such sensors limit themselves to 0 to 100 %
        ]
        if self._sent % BATTERY_EVERY_ADVERTS == 0:
            values += [(_PRESSURE, PRESSURE_hPa), (_BATTERY, self.battery_percent)]
        self._sent += 1
        self._packet_id = (self._packet_id + 1) % 256
        return encode_bthome(tuple(values), packet_id=self._packet_id)


@dataclass(slots=True)
class Bridge:
    """A caliper on a bridge that sends lines: who it is, then a value at each press of the data key."""

    rng: np.random.Generator
    _boot: str = field(init=False)
    _sequence: int = -1

    def __post_init__(self) -> None:
        self._boot = f"{int(self.rng.integers(0, 0x10000)):04X}"

    def identity(self, at_s: float) -> bytes:
        return self._line(at_s, Kind.IDENTITY, BRIDGE, "fw=0.1", f"boot={self._boot}")

    def caliper(self, at_s: float, depth_mm: float) -> bytes:
        shown_mm = depth_mm + float(self.rng.normal(0.0, CALIPER_NOISE_mm))
        return self._line(at_s, Kind.MEASUREMENT, "jaw", f"{shown_mm:.2f}", "mm")

    def _line(self, at_s: float, kind: Kind, channel: str, text: str, unit: str) -> bytes:
        self._sequence += 1
        boot_ms = round((at_s + BRIDGE_BOOTED_BEFORE_s) * MS_PER_s)
        return encode_bridge_line(BridgeLine(self._sequence, boot_ms, kind, channel, text, unit))
