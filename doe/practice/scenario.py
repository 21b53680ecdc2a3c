"""The invented studies: what is mixed, in what, what is varied and what is measured."""

from __future__ import annotations

from doe.brief import Brief
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel
from doe.programme import ATMOSPHERE
from doe.responses import Response

__all__ = ["RUN_SD", "demo_brief", "surface_brief"]

RUN_SD = {"voids": 0.05, "largest_agglomerate": 2.0, "temperature_rise": 0.4, "settling": 0.0015}
"""Standard deviation between repeated runs, in the response's unit; voids: relative."""


def demo_brief() -> Brief:
    """An invented study: boron nitride in a potting resin, 60 mL cups, screening stage."""
    mixer = Mixer("bench mixer A (invented)", carrier_radius=110.0, tilt=45.0,
                  revolution_range=(200.0, 2000.0), rotation_range=(0.0, 1200.0),
                  pressure_range=(1.0, ATMOSPHERE), pressure_increment=0.5,
                  greatest_time=900.0, time_increment=5.0, greatest_load=310.0)
    vessel = Vessel("cup", volume=60.0, bore=42.0, tare=158.0, rated_acceleration=400.0,
                    temperature_limit=80.0)
    material = Material("boron nitride in potting resin (invented)", density=1.10, viscosity=2.5,
                        filler_density=2.27, filler_diameter=45.0, filler_volume_fraction=0.28,
                        vapour_pressure=0.6, temperature_limit=60.0)
    region = Region((
        Factor("revolution", 1000.0, 1400.0, unit="rpm", increment=20.0),
        Factor("rotation_ratio", 0.30, 0.50),
        Factor("time", 80.0, 200.0, unit="s", increment=5.0),
        Factor("pressure", 8.0, 40.0, unit="kPa", increment=1.0, label="absolute pressure"),
    ))
    responses = (
        Response("voids", "% by volume", upper=0.60, target=0.50, scale="log",
                 label="residual voids",
                 method="density of three slices of the cast cup, mean, against the density "
                        "without air", resolution=0.01, detection_limit=0.05,
                 possible=(0.0, 100.0), assumed_sd=RUN_SD["voids"]),
        Response("largest_agglomerate", "µm", upper=60.0, target=50.0,
                 method="largest in ten fields of a drawn-down film under the microscope, "
                        "mean of three films",
                 resolution=1.0, possible=(0.0, None),
                 assumed_sd=RUN_SD["largest_agglomerate"]),
        Response("temperature_rise", "°C", upper=10.0, target=8.0, label="cup temperature rise",
                 method="infrared thermometer at the cup's wall within 10 s of the stop, less "
                        "the reading before the run", resolution=0.1,
                 possible=(-10.0, 200.0), assumed_sd=RUN_SD["temperature_rise"]),
        Response("settling", "g/cm³", upper=0.025, target=0.020,
                 label="density difference, bottom to top",
                 method="density of 5 mm slices from the bottom and the top of the cast cup",
                 resolution=0.001, possible=(-1.0, 2.0), assumed_sd=RUN_SD["settling"]),
    )
    return Brief(
        title="Potting resin with boron nitride: shortest cycle in 60 mL cups",
        purpose="Find which of the four settings matter for voids, agglomerates, heat and "
                "settling, and where every specification can be met in the shortest time.",
        author="Training example", mixer=mixer, vessel=vessel, material=material,
        fill_mass=42.0, region=region, responses=responses, invented=True,
        notes="Invented for training: no real material, mixer or measurement.")


def surface_brief() -> Brief:
    """The second stage of `demo_brief`: the same paste, a smaller region where it is promising."""
    first = demo_brief()
    revolution, ratio, time, pressure = first.region.factors
    region = Region((
        Factor("revolution", 1100.0, 1380.0, unit="rpm", increment=revolution.increment),
        Factor("rotation_ratio", 0.34, 0.50, unit=ratio.unit),
        Factor("time", 80.0, 200.0, unit="s", increment=time.increment),
        Factor("pressure", 6.0, 18.0, unit="kPa", increment=pressure.increment,
               label=pressure.label),
    ))
    return first.replace(
        title="Potting resin with boron nitride: response surface",
        purpose="Model the curved part of the region that the screening showed to be "
                "promising, and choose a recipe that meets every specification.",
        region=region)
