"""What is put in the mixer: a vessel, and the material in it.

Units as in `doe.mixer`; densities g/cm³, viscosity Pa·s, volumes mL, particle size µm.
"""

from __future__ import annotations

from dataclasses import dataclass

from doe.errors import as_choice, as_number
from doe.units import check_numbers, with_unit

__all__ = ["Material", "Vessel"]

VESSELS = ("cup", "jar", "tube", "bottle", "syringe barrel")
VESSEL_MATERIALS = ("", "plastic", "metal", "glass", "paper")


@dataclass(frozen=True)
class Vessel:
    """What holds the material: a cup, jar, tube, bottle or syringe barrel.

    Parameters
    ----------
    kind : {"cup", "jar", "tube", "bottle", "syringe barrel"}
    volume : float
        Nominal, mL.
    bore : float
        Inner diameter, mm.
    tare : float
        Empty, with lid and adapter, g.
    rated_acceleration : float or None
        Greatest that any part of it may be swung at, in multiples of standard gravity; it is
        compared at the outer edge of the base, see `Mixer.greatest_acceleration`.
    temperature_limit : float or None
        °C.
    made_of : {"", "plastic", "metal", "glass", "paper"}
    """

    kind: str
    volume: float = with_unit("mL")
    bore: float = with_unit("mm")
    tare: float = with_unit("g")
    rated_acceleration: float | None = with_unit("× g", None)
    temperature_limit: float | None = with_unit("°C", None)
    made_of: str = ""

    def __post_init__(self) -> None:
        as_choice("vessel, kind", self.kind, VESSELS)
        as_choice(f"vessel '{self.kind}', made_of", self.made_of, VESSEL_MATERIALS)
        check_numbers(self, f"vessel '{self.kind}'")


@dataclass(frozen=True)
class Material:
    """What is mixed.

    Parameters
    ----------
    name : str
    density, viscosity : float
        Of the fluid, g/cm³ and Pa·s (at the shear rate and temperature of mixing).
    filler_density, filler_diameter, filler_volume_fraction : float or None
        g/cm³, µm and a fraction from 0 to 1.
    vapour_pressure : float or None
        Of the most volatile part at the greatest temperature, kPa.
    temperature_limit : float or None
        °C.
    start_temperature : float
        °C.
    """

    name: str
    density: float = with_unit("g/cm³")
    viscosity: float = with_unit("Pa·s")
    filler_density: float | None = with_unit("g/cm³", None)
    filler_diameter: float | None = with_unit("µm", None)
    filler_volume_fraction: float | None = with_unit("fraction", None)
    vapour_pressure: float | None = with_unit("kPa", None)
    temperature_limit: float | None = with_unit("°C", None)
    start_temperature: float = with_unit("°C", 23.0)

    def __post_init__(self) -> None:
        where = f"material '{self.name}'"
        check_numbers(self, where, zero_allowed=("vapour_pressure", "filler_volume_fraction"))
        if self.filler_volume_fraction is not None:
            as_number(f"{where}, filler_volume_fraction", self.filler_volume_fraction, at_most=0.74)

    @property
    def mixture_density(self) -> float:
        """Of fluid and filler together, without air, g/cm³.

        The fluid's own where the density of the filler or its loading is not stated.
        """
        loading = self.filler_volume_fraction if self.filler_density is not None else None
        return ((1 - (loading or 0.0)) * self.density
                + (loading or 0.0) * (self.filler_density or 0.0))
