"""A simulated mixer with a known truth: for demos, training and power by simulation.

Everything here is invented: the mixer, the paste, the numbers. The behaviour is meant to
be sensible, not to predict any real material. Knowing the truth is the point: a plan, a
model or a choice of recipe can be judged by how near it comes.

What the truth is built from (`doe.physics`):

temperature rise
    Viscous heat at a mean shear rate proportional to the rotation, thinned by shear, less
    what leaves through the wall. Interaction: revolution × rotation ratio, both × time.
voids
    Bubbles of many sizes, swollen by the vacuum (Boyle, with surface tension), rise under
    the axial part of the force; what has not reached the top is left. At low pressure the
    paste foams and folds air back in, the less so the greater the force: voids have a
    minimum over pressure. Warm paste lets bubbles rise faster.
largest agglomerate
    Breaks up with the total shear, towards a size that the shear stress can no longer
    break. Interaction: revolution × rotation ratio, both × time.
settling
    Filler sinks (Stokes, hindered as Richardson & Zaki) once the force overcomes the
    paste's yield stress. Interaction: revolution × time.
"""

from __future__ import annotations

from doe.practice.classroom import open_practice, perform_due
from doe.practice.scenario import RUN_SD, demo_brief, surface_brief
from doe.practice.search import Optimum, one_knob_at_a_time, optimum
from doe.practice.simulation import simulate, truth
from doe.practice.studies import demo_study, demo_surface, write_demo

__all__ = ["RUN_SD", "Optimum", "demo_brief", "demo_study", "demo_surface", "one_knob_at_a_time",
           "open_practice", "optimum", "perform_due", "simulate", "surface_brief", "truth",
           "write_demo"]
