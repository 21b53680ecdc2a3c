"""The vessel's worst point against the greatest distance found over points of a filled vessel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from doe.geometry import depth_of, greatest_radius, radius_of_fill


def farthest(carrier_radius, tilt, volume, bore, fill):
    """Greatest distance from the central axis over wall and base of a filled vessel, by points.

    The vessel is built upright with its middle at the origin, filled from the base up, turned
    about the horizontal axis y, so that its base swings outwards, and moved to its carrier.
    """
    deep = volume * 1e3 / (np.pi * (bore / 2) ** 2)
    filled = fill * deep
    round_it = np.linspace(0, 2 * np.pi, 721)
    up, angle, out = np.meshgrid(np.linspace(0, filled, 9), round_it, [bore / 2, bore / 4],
                                 indexing="ij")
    points = np.column_stack([(out * np.cos(angle)).ravel(), (out * np.sin(angle)).ravel(),
                              (up - deep / 2).ravel()])
    # By the right-hand rule a turn about −y by the tilt takes the base (0, 0, −1) outwards, to +x.
    turned = Rotation.from_rotvec([0, -tilt, 0], degrees=True).apply(points)
    assert turned[points[:, 2] == points[:, 2].min(), 0].mean() >= 0
    turned[:, 0] += carrier_radius
    return np.hypot(turned[:, 0], turned[:, 1]).max()


@settings(max_examples=60, deadline=None)
@given(carrier_radius=st.floats(60, 300), tilt=st.floats(0, 90), volume=st.floats(5, 600),
       bore=st.floats(15, 110), fill=st.floats(0.02, 1.0))
def test_no_point_of_the_filled_vessel_is_further_out(carrier_radius, tilt, volume, bore, fill):
    found = farthest(carrier_radius, tilt, volume, bore, fill)
    told = float(greatest_radius(carrier_radius, tilt, volume, bore))
    # 721 points round the wall miss the worst by at most a quarter of a degree.
    assert told == pytest.approx(found, rel=2e-5)


def test_worst_point_worked_by_hand():
    # 60 mL in a bore of 45 mm: 60 000 mm³ / (π · 22.5²) = 37.73 mm deep. At 45°:
    # 200 + 18.86 · 0.7071 + 22.5 · 0.7071 = 200 + 13.34 + 15.91 = 229.25 mm.
    assert depth_of(60, 45) == pytest.approx(37.73, abs=0.005)
    assert greatest_radius(200, 45, 60, 45) == pytest.approx(229.25, abs=0.005)
    # Upright: the wall, half a bore out. Level: the base, and half a bore to the side of it.
    assert greatest_radius(200, 0, 60, 45) == pytest.approx(222.5)
    assert greatest_radius(200, 90, 60, 45) == pytest.approx(np.hypot(200 + 18.863, 22.5),
                                                             abs=0.005)


def test_the_fill_lies_outside_the_middle():
    # Half full: its middle is a quarter of the depth below that of the vessel, 9.43 mm, and
    # 9.43 · sin 45° = 6.67 mm further out. Full: both middles are one.
    assert radius_of_fill(200, 45, 60, 45, 30) == pytest.approx(206.67, abs=0.005)
    assert radius_of_fill(200, 45, 60, 45, 60) == pytest.approx(200)
