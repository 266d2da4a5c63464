"""Physical constants, with their sources."""

STANDARD_GRAVITY = 9.80665
"""m/s², by definition (3rd General Conference on Weights and Measures, 1901)."""

COPPER_COEFFICIENT = 0.00393
"""1/K at 20 °C: temperature coefficient of annealed copper (IEC 60028)."""

STANDARD_PRESSURE = 101325.0
"""Pa: standard atmosphere at sea level (ISO 2533)."""

DRY_AIR_CONSTANT = 287.05287
"""J/(kg·K): specific gas constant of dry air (ISO 2533)."""

ZERO_CELSIUS = 273.15
"""K, by definition."""


def air_density(temperature: float) -> float:
    """Return the density of dry air in kg/m³ at sea level and ``temperature`` in °C.

    ρ = p / (R·T), the ideal gas law; 1.225 kg/m³ at 15 °C as ISO 2533 tabulates.
    """
    return STANDARD_PRESSURE / (DRY_AIR_CONSTANT * (temperature + ZERO_CELSIUS))
