"""Loads that are known before the fit: gas pumped through open ports, and drag under pressure that the bench states."""

from __future__ import annotations

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.laws import rod_ratio
from driveloss.fit.meters import Inputs
from driveloss.physics import gas, ports, seal


def port_power(rig: Rig, inputs: Inputs, name: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Gas pumped through the open port at frequency, pressure (m,): (m, 1 + draws), nan without a port size. [W]"""
    geometry = inputs.cylinders[name]
    density = gas.gas_density(rig.cylinders[name].gas, pressure[:, None], inputs.ambient_temperature)
    return ports.port_power(
        frequency[:, None],
        geometry["bore"],
        geometry["stroke"],
        rod_ratio(rig, rig.cylinders[name]),  # its limits of error change the means by less than 1e-4
        geometry["open_port_diameter"],
        geometry["discharge_coefficient"],
        density,
    )


def stated_pressure_power(inputs: Inputs, name: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Drag under pressure by the bench's own `pressure_friction`, at the piston, shape (m, 1 + draws). [W]"""
    geometry = inputs.cylinders[name]
    difference = pressure[:, None] - geometry["back_pressure"]
    return seal.pressure_power(geometry["pressure_friction"], difference, frequency[:, None], geometry["stroke"])
