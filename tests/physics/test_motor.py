"""Motor formulas against the motor standard and textbook machines."""

import numpy as np
import pytest

from driveloss.physics import motor

ZERO_CELSIUS = 273.15


@pytest.mark.parametrize("celsius", [0, 20, 60, 100])
def test_copper_rule_against_the_temperature_coefficient(celsius):
    """IEC 60028: 0.00393 1/K at 20 degC (from memory); the conventions differ by less than 0.1 %."""
    resistance = motor.winding_resistance(1.0, ZERO_CELSIUS + 20, ZERO_CELSIUS + celsius)
    assert resistance == pytest.approx(1 + 0.00393 * (celsius - 20), rel=1e-3)


def test_copper_rule_is_the_standard_235_rule():
    """IEC 60034-1: (235 + t2)/(235 + t1) with t in degC (from memory)."""
    resistance = motor.winding_resistance(0.42, ZERO_CELSIUS + 25, ZERO_CELSIUS + 90)
    assert resistance == pytest.approx(0.42 * 325 / 260, rel=1e-12)


def test_patil_hot_winding():
    """Patil, Ex. 1.6: 45 ohm at 20 degC, 48.5 ohm at 41.0 degC; alpha_0 is 1/250, the standard's 1/235."""
    resistance = motor.winding_resistance(45.0, ZERO_CELSIUS + 20, ZERO_CELSIUS + 41.0)
    assert resistance == pytest.approx(48.5, rel=5e-3)


class TestTherajaNoLoadTest:
    """Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4: 400 V, no load 5 A, loaded 50 A.

    Armature 0.5 ohm; the field's 200 ohm take 2 A in both runs, so the field is the standby power.
    """

    standby = 400.0**2 / 200
    no_load_current, loaded_current = 3.0, 48.0
    no_load_net = 400.0 * 5 - standby
    loaded_net = 400.0 * 50 - standby

    def air_gap(self, net_power, current):
        return motor.air_gap_power(net_power, motor.copper_loss(current, 0.5, 1.0))

    def test_constant_loss(self):
        rotor_loss = self.air_gap(self.no_load_net, self.no_load_current)
        assert rotor_loss + self.standby == pytest.approx(1995.5, rel=1e-12)

    def test_output_is_the_difference_of_air_gap_powers(self):
        loaded = self.air_gap(self.loaded_net, self.loaded_current)
        output = loaded - self.air_gap(self.no_load_net, self.no_load_current)
        assert output == pytest.approx(16852.5, rel=1e-12)
        assert 100 * output / (self.loaded_net + self.standby) == pytest.approx(84.26, abs=0.005)

    def test_input_difference_overstates_the_output(self):
        """What the copper loss is subtracted for: the naive difference is 7 % too high here."""
        assert self.loaded_net - self.no_load_net == pytest.approx(18000)

    @pytest.mark.parametrize("loaded", [False, True])
    def test_current_is_found_from_power_and_speed_alone(self, loaded):
        current = self.loaded_current if loaded else self.no_load_current
        net_power = self.loaded_net if loaded else self.no_load_net
        back_emf = 400 - 0.5 * current
        found = motor.motor_current(net_power, 0.5, back_emf / 150.0, 150.0, 1.0)
        assert found == pytest.approx(current, rel=1e-12)


def test_current_balances_the_power():
    net_power, speed = np.meshgrid([-0.5, 0.0, 1e-9, 5.0, 80.0], [20.0, 90.0, 300.0])
    current = motor.motor_current(net_power, 0.42, 0.061, speed, 1.1)
    assert current.shape == net_power.shape
    balance = motor.copper_loss(current, 0.42, 1.1) + 0.061 * speed * current
    assert balance == pytest.approx(net_power, rel=1e-12, abs=1e-15)
    assert (np.sign(current) == np.sign(net_power)).all()


def test_current_keeps_its_digits_where_the_winding_hardly_drops_voltage():
    """I -> P/(K omega) - a P^2/(K omega)^3 for small a: the schoolbook root loses every digit here."""
    expected = 10.0 / 6.0 - 1e-15 * 100.0 / 6.0**3
    assert motor.motor_current(10.0, 1e-15, 0.06, 100.0, 1.0) == pytest.approx(expected, rel=1e-15)


def test_current_at_the_edges():
    """Stalled: Joule's law alone. Too negative, or power with nothing to take it: no current fits."""
    assert motor.motor_current(18.0, 0.5, 0.061, 0.0, 1.0) == pytest.approx(6.0)
    assert motor.motor_current(0.0, 0.5, 0.061, 0.0, 1.0) == 0
    assert motor.motor_current(9.0, 0.0, 0.061, 100.0, 1.0) == pytest.approx(9 / 6.1)
    limit = (0.061 * 100) ** 2 / (4 * 0.5)
    assert motor.motor_current(-0.999 * limit, 0.5, 0.061, 100.0, 1.0) < 0
    nonsense = motor.motor_current(
        np.array([-1.001 * limit, 5.0]), np.array([0.5, 0.0]), 0.061, np.array([100.0, 0.0]), 1.0
    )
    assert np.isnan(nonsense).all()


def test_form_factor_is_rms_over_mean():
    """A full-wave rectified sine has the form factor pi/(2 sqrt 2); its rms value makes the heat."""
    samples = 4.0 * np.abs(np.sin(np.linspace(0, np.pi, 10001)[:-1]))
    loss = motor.copper_loss(samples.mean(), 0.42, np.pi / np.sqrt(8))
    assert loss == pytest.approx(0.42 * np.mean(samples**2), rel=1e-6)


def test_incremental_efficiency_scales_differences():
    gained = motor.incremental_shaft_power(95.0, 0.8) - motor.incremental_shaft_power(45.0, 0.8)
    assert gained == pytest.approx(40.0)


def test_motor_speed_counts_motor_turns():
    """3000 r/min are 314.159 rad/s; three motor turns a crank turn at 1000 r/min of the crank."""
    assert motor.motor_speed(1000 / 60, 3.0) == pytest.approx(314.159, abs=5e-4)
