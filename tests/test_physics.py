"""Physics against independent derivations, published constants and limiting cases."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from doe import physics

positive = st.floats(0.01, 100.0)


# ---- acceleration

def test_acceleration_of_a_laboratory_centrifuge():
    # The rule of thumb of centrifugation, g-force = 1.118e-5 · r(cm) · rpm², stands in many
    # textbooks (from memory); its constant is (2π/60)²/100/g.
    assert physics.relative_acceleration(1000, 100) == pytest.approx(1.118e-5 * 10 * 1000**2,
                                                                    rel=5e-4)
    assert physics.relative_acceleration(1000, 100) == pytest.approx(111.8, abs=0.05)


def test_acceleration_is_that_of_a_point_on_a_circle():
    # second difference of a position on the circle, with nothing but the definition
    rpm, radius, dt = 1234.0, 87.0, 1e-6
    angle = 2 * np.pi * rpm / 60 * np.array([-dt, 0.0, dt])
    x = radius * 1e-3 * np.cos(angle)
    acceleration = -(x[0] - 2 * x[1] + x[2]) / dt**2
    assert physics.relative_acceleration(rpm, radius) == pytest.approx(acceleration / constants.g,
                                                                      rel=1e-3)


def test_standard_gravity_is_the_conventional_value():
    # CODATA, as scipy carries it
    assert constants.g == physics.STANDARD_GRAVITY


@given(st.floats(1, 5000), st.floats(10, 500))
def test_revolution_for_undoes_acceleration(revolution, radius):
    force = physics.relative_acceleration(revolution, radius)
    assert physics.revolution_for(force, radius) == pytest.approx(revolution)


@pytest.mark.parametrize(("tilt", "expected"), [
    (0, 1.0),                                   # upright cup: gravity alone points to the bottom
    (90, 111.8243958),                          # lying cup: all of the centrifugal force
])
def test_axial_acceleration_limits(tilt, expected):
    assert physics.axial_acceleration(1000, 100, tilt) == pytest.approx(expected)


def test_axial_acceleration_is_the_mean_over_a_turn_of_the_cup():
    # the force in the cup's own frame, averaged over a rotation: only the axial part is left
    tilt = np.radians(35)
    force = np.array([physics.relative_acceleration(900, 120), 0.0, -1.0])
    axis = np.array([np.sin(tilt), 0.0, -np.cos(tilt)])
    across = force - (force @ axis) * axis
    turns = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    turned = [across * np.cos(a) + np.cross(axis, across) * np.sin(a) for a in turns]
    mean = np.mean(turned, axis=0) + (force @ axis) * axis
    assert np.linalg.norm(mean) == pytest.approx(physics.axial_acceleration(900, 120, 35))


# ---- settling and rising

def test_stokes_velocity_balances_drag_and_weight():
    # Stokes 1851: drag 3π μ d v equals the buoyant weight π/6 d³ Δρ a, both in SI
    d, difference, viscosity, force = 20e-6, 1170.0, 2.5, 180.0
    drag = lambda v: 3 * np.pi * viscosity * d * v  # noqa: E731
    weight = np.pi / 6 * d**3 * difference * force * constants.g
    v = brentq(lambda v: drag(v) - weight, 0, 1)
    assert physics.stokes_velocity(20, 1.17, 2.5, 180) == pytest.approx(v * 1e3)


def test_stokes_velocity_of_quartz_silt_in_water():
    # 20 µm quartz (2.65 g/cm³) in water at 20 °C (1.002 mPa·s, 0.998 g/cm³): 0.36 mm/s,
    # the usual example of sedimentation analysis (from memory)
    v = physics.stokes_velocity(20, 2.65 - 0.998, 1.002e-3)
    assert v == pytest.approx(0.36, abs=0.005)
    assert physics.particle_reynolds_number(v, 20, 0.998, 1.002e-3) < 0.01


@given(positive, positive, positive, positive, positive)
def test_stokes_scaling(d, difference, viscosity, force, scale):
    base = physics.stokes_velocity(d, difference, viscosity, force)
    assert physics.stokes_velocity(scale * d, difference, viscosity, force) == pytest.approx(
        scale**2 * base)
    assert physics.stokes_velocity(d, scale * difference, viscosity, force) == pytest.approx(
        scale * base)
    assert physics.stokes_velocity(d, difference, scale * viscosity, scale * force
                                   ) == pytest.approx(base)


def test_light_particles_rise():
    assert physics.stokes_velocity(50, -0.3, 1.0, 100) < 0


@pytest.mark.parametrize(("ratio", "factor"), [
    (0.0, 3 / 2),            # gas bubble: R² Δρ g/3μ against 2R² Δρ g/9μ
    (1.0, 6 / 5),            # drop of the same viscosity
    (np.inf, 1.0),           # rigid sphere
])
def test_hadamard_rybczynski_over_stokes(ratio, factor):
    # Published as (2/3)(R² Δρ g/μ)(μ + μ')/(2μ + 3μ'), Hadamard 1911 and Rybczynski 1911
    rise = physics.bubble_velocity(80, 1.1, 4.0, 90, viscosity_ratio=ratio)
    assert rise / physics.stokes_velocity(80, 1.1, 4.0, 90) == pytest.approx(factor)
    if np.isfinite(ratio):
        radius, mu = 40e-6, 4.0
        published = (2 / 3 * radius**2 * 1100 * 90 * constants.g / mu
                     * (mu + ratio * mu) / (2 * mu + 3 * ratio * mu))
        assert rise == pytest.approx(published * 1e3)


def test_a_bubble_is_by_default_clean_and_under_gravity():
    assert physics.bubble_velocity(80, 1.1, 4.0) == pytest.approx(
        1.5 * physics.stokes_velocity(80, 1.1, 4.0, 1.0))


def test_particle_reynolds_number_in_si():
    assert physics.particle_reynolds_number(-2.0, 50, 1.2, 0.3) == pytest.approx(
        2e-3 * 50e-6 * 1200 / 0.3)


@pytest.mark.parametrize(("reynolds", "exponent"), [
    # Richardson & Zaki 1954, vessel wide against the particle
    (0.0, 4.65), (0.1, 4.65), (0.5, 4.35 * 0.5**-0.03), (1.0, 4.45), (100.0, 4.45 * 100**-0.1),
    (499.0, 2.39), (500.0, 2.39), (1e5, 2.39),
])
def test_richardson_zaki_exponent(reynolds, exponent):
    assert physics.richardson_zaki_exponent(reynolds) == pytest.approx(exponent, abs=0.005)


def test_richardson_zaki_walls():
    # published coefficients of d/D: 19.5, 17.5, 18
    ratio = 0.02
    np.testing.assert_allclose(
        physics.richardson_zaki_exponent([0.1, 0.5, 10.0, 300.0, 600.0], diameter_ratio=ratio),
        [4.65 + 19.5 * ratio, (4.35 + 17.5 * ratio) * 0.5**-0.03, (4.45 + 18 * ratio) * 10**-0.1,
         4.45 * 300**-0.1, 2.39])


@given(st.floats(0, 1e6))
def test_richardson_zaki_stays_between_its_limits(reynolds):
    assert 2.38 < physics.richardson_zaki_exponent(reynolds) <= 4.65


def test_hindrance_in_the_dilute_limit():
    # slope −n at φ = 0, from the first term of the binomial series; none left at φ = 1
    assert (physics.hindrance(1e-6) - 1) / 1e-6 == pytest.approx(-4.65, rel=1e-4)
    assert physics.hindrance(0.0) == 1
    assert physics.hindrance(1.0) == 0


# ---- viscosity

@pytest.mark.parametrize("maximum", [0.5, 0.64, 0.74])
def test_krieger_dougherty_starts_at_einstein(maximum):
    # Einstein 1906: 1 + 2.5 φ, whatever the greatest packing
    phi = 1e-6
    assert (physics.relative_viscosity(phi, maximum) - 1) / phi == pytest.approx(2.5, rel=1e-4)


def test_krieger_dougherty_limits():
    phi = np.array([0.0, 0.3, 0.63999, 0.64, 0.7])
    value = physics.relative_viscosity(phi)
    assert value[0] == 1
    assert value[1] == pytest.approx((1 - 0.3 / 0.64) ** -1.6)      # [η]·φm = 2.5·0.64 = 1.6
    assert value[2] > 1e6
    assert np.isinf(value[3:]).all()


@given(st.floats(0, 0.6), st.floats(1e-4, 0.03))
def test_more_filler_is_never_thinner(phi, more):
    assert physics.relative_viscosity(phi + more) > physics.relative_viscosity(phi)


# ---- bubbles under vacuum

def test_swelling_without_surface_tension_is_boyles_law():
    assert physics.swelling(101.3, 10.13) == pytest.approx(10.0)
    assert physics.swelling(101.3, 10.13, 50.0, 0.0) == pytest.approx(10.0)


@given(st.floats(1, 200), st.floats(1, 200), st.floats(0.5, 1000), st.floats(0.1, 80))
def test_swelling_conserves_gas(start, end, diameter, tension):
    # n = p V/(R T) before and after, with Young–Laplace 4 σ/d in SI
    ratio = physics.swelling(start, end, diameter, tension)
    before, after = diameter * 1e-6, diameter * 1e-6 * ratio ** (1 / 3)
    gas = lambda p, d: (p * 1e3 + 4 * tension * 1e-3 / d) * np.pi / 6 * d**3  # noqa: E731
    assert gas(end, after) == pytest.approx(gas(start, before), rel=1e-9)


def test_surface_tension_holds_small_bubbles_back():
    swollen = physics.swelling(101.3, 2.0, [1.0, 10.0, 100.0, 1e6], 30.0)
    assert (np.diff(swollen) > 0).all()
    assert swollen[-1] == pytest.approx(101.3 / 2.0, rel=1e-3)


@pytest.mark.parametrize(("solubility", "saturation"), [
    (0.02, 0.0), (0.02, 0.75), (0.9, 0.0), (3.0, 0.5), (20.0, 0.0),
])
def test_dissolution_time_solves_the_growth_law(solubility, saturation):
    # Epstein & Plesset 1950: dR/dt = −D L (1−f) (1/R + 1/√(πDt)), integrated numerically
    # in s = √t, which takes the singularity at t = 0 away
    diffusivity, radius = 2e-3, 0.05
    drive = diffusivity * solubility * (1 - saturation)

    def slope(s, r):
        return -drive * (2 * s / np.maximum(r, 1e-12) + 2 / np.sqrt(np.pi * diffusivity))

    gone = lambda s, r: r[0] - 1e-4 * radius  # noqa: E731
    gone.terminal = True
    end = solve_ivp(slope, (0, 1e3), [radius], events=gone, rtol=1e-10, atol=1e-14).t_events[0][0]
    time = physics.dissolution_time(2 * radius * 1e3, diffusivity, solubility, saturation)
    assert time == pytest.approx(end**2, rel=1e-3)


def test_dissolution_time_of_a_sparingly_soluble_gas_is_steady():
    # R²/(2 D L (1−f)), the transient part fading as L → 0
    assert physics.dissolution_time(100, 2e-3, 1e-9, 0.5) == pytest.approx(
        0.05**2 / (2 * 2e-3 * 0.5e-9), rel=1e-3)


def test_no_dissolution_in_saturated_fluid():
    assert np.isinf(physics.dissolution_time(50, 2e-3, 0.02, [1.0, 1.2])).all()


# ---- shear and heat

def test_couette_cell_gives_shear_rate_and_power():
    # plates 1 mm apart at 1 m/s with 3 Pa·s between: 1000 1/s, and stress × speed ÷ gap in W/m³
    shear_rate = 1.0 / 1e-3
    assert physics.dissipated_power(3.0, shear_rate) == pytest.approx(3.0 * shear_rate * 1.0 / 1e-3)


def test_mean_shear_rate_is_proportional_to_angular_speed():
    assert physics.mean_shear_rate(60, 2.0) == pytest.approx(2.0 * 2 * np.pi)
    assert physics.mean_shear_rate(-60, 2.0) == physics.mean_shear_rate(60, 2.0)


@pytest.mark.parametrize("tau", [100.0, 500.0, 5000.0])
def test_temperature_rise_solves_the_heat_balance(tau):
    # ρ c dT/dt = P − ρ c T/τ, by numerical integration
    power, density, heat = 2e5, 1.4, 1.5
    capacity = density * heat * 1e6
    path = solve_ivp(lambda t, y: power / capacity - y / tau, (0, 300), [0.0], rtol=1e-10)
    assert physics.temperature_rise(power, 300, density, heat, tau) == pytest.approx(
        path.y[0, -1], rel=1e-6)


def test_temperature_rise_limits():
    # all heat kept: 4.186 MW/m³ warms water (1 g/cm³, 4.186 J/(g·K)) by 1 °C a second
    assert physics.temperature_rise(4.186e6, 7.0, 1.0, 4.186) == pytest.approx(7.0)
    # for ever: P τ/(ρ c)
    assert physics.temperature_rise(1e5, 1e6, 1.0, 2.0, 50.0) == pytest.approx(2.5)


@given(st.floats(1, 300), positive, st.floats(1, 1000), st.one_of(st.just(np.inf),
                                                                  st.floats(10, 1e4)))
def test_shear_rate_from_heating_undoes_heating(shear_rate, viscosity, time, tau):
    rise = physics.temperature_rise(physics.dissipated_power(viscosity, shear_rate), time, 1.3,
                                    1.6, tau)
    assert physics.shear_rate_from_heating(rise, time, viscosity, 1.3, 1.6, tau) == pytest.approx(
        shear_rate)


# ---- similarity

def test_acceleration_ratio_is_a_quotient_of_accelerations():
    rotation = physics.relative_acceleration(400, 25)       # at the wall of a 50 mm bore
    revolution = physics.relative_acceleration(1200, 110)
    assert physics.acceleration_ratio(400 / 1200, 50, 110) == pytest.approx(rotation / revolution)


@given(positive, positive)
def test_reynolds_number_is_dimensionless(length, time):
    # other units of length and time must not change ρ ω R²/μ: stretch the cup by `length`,
    # slow it by `time`, and give the fluid the viscosity that goes with it
    base = physics.reynolds_number(500, 40, 1.2, 3.0)
    assert physics.reynolds_number(500 / time, 40 * length, 1.2, 3.0 * length**2 / time
                                   ) == pytest.approx(base)


def test_reynolds_number_in_si():
    omega = 500 * 2 * np.pi / 60
    assert physics.reynolds_number(500, 40, 1.2, 3.0) == pytest.approx(1200 * omega * 0.02**2 / 3.0)


def test_removal_and_settling_are_ways_over_depth():
    speed = physics.bubble_velocity(100, 1.3, 10.0, 150)
    assert physics.bubble_removal_number(100, 1.3, 10.0, 150, 60, 25) == pytest.approx(
        speed * 60 / 25)
    alone = physics.stokes_velocity(20, 1.2, 2.0, 150)
    assert physics.settling_number(20, 1.2, 2.0, 150, 60, 25) == pytest.approx(alone * 60 / 25)
    assert physics.settling_number(20, 1.2, 2.0, 150, 60, 25, 0.3) == pytest.approx(
        alone * 0.7**4.65 * 60 / 25)


@given(positive, positive, st.floats(1, 400), st.floats(1, 1000), st.floats(5, 80))
def test_smallest_bubble_just_gets_out(density, viscosity, force, time, depth):
    smallest = physics.smallest_bubble_removed(density, viscosity, force, time, depth)
    assert physics.bubble_removal_number(smallest, density, viscosity, force, time, depth
                                         ) == pytest.approx(1.0)


def test_functions_broadcast():
    grid = physics.settling_number(np.array([[10.0], [20.0]]), 1.2, 2.0,
                                   np.array([50.0, 100.0, 200.0]), 60, 25)
    assert grid.shape == (2, 3)
    assert physics.swelling(101.3, np.array([[5.0], [50.0]]), [10.0, 20.0, 30.0], 30.0
                            ).shape == (2, 3)
