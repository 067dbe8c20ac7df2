"""Random benches: varied but plausible small machines and the ways people read them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simulate.machine import (
    CylinderTruth,
    MotorTruth,
    SealLaw,
    TorqueLaw,
    Truth,
    piston_velocities,
    port_drop,
    port_power,
    seal_power,
)
from simulate.rig import Limits, Protocol, ladder

AMBIENT = 101325.0  # [Pa]


@dataclass(frozen=True, slots=True)
class Size:
    """The design point that everything else is scaled from."""

    frequency: float  # [Hz] highest crank frequency
    pressure: float  # [Pa] highest mean pressure
    power: float  # [W] input there, about
    pneumatic: float  # [W] net p-V power there


def nice(value: float, digits: int = 4) -> float:
    """Rounded as someone would write it."""
    return float(f"{value:.{digits}g}")


def draw_size(rng: np.random.Generator, bore: float, stroke: float, ratio: float) -> Size:
    """A design point whose mean pressure comes out between 1 and 15 bar; drawn again until it does."""
    swept = np.pi * bore**2 / 4 * stroke
    while True:
        frequency = np.exp(rng.uniform(np.log(6), np.log(30)))
        power = np.exp(rng.uniform(np.log(20), np.log(1300)))
        pneumatic = rng.uniform(0.12, 0.6) * power
        pressure = pneumatic / (ratio * swept * frequency)
        if AMBIENT <= pressure <= 15e5:
            return Size(nice(frequency, 3), nice(pressure, 3), power, pneumatic)


def draw_law(rng: np.random.Generator, power: float, speed: float) -> TorqueLaw:
    """A mix of drag torques that takes `power` [W] at `speed` [rad/s]; about every third kind is missing."""
    shares = rng.dirichlet(np.ones(4)) * (rng.random(4) < 0.7)
    shares = shares / shares.sum() if shares.sum() > 0 else np.array([1.0, 0.0, 0.0, 0.0])
    torque = power / speed * shares
    return TorqueLaw(torque[0], torque[1] / speed ** (2 / 3), torque[2] / speed, torque[3] / speed**2)


def draw_seal(rng: np.random.Generator, force: float, speed: float, across: float) -> SealLaw:
    """A seal that drags with about `force` [N] at `speed` [m/s] and `across` [Pa] over it."""
    energised = rng.uniform(0, 0.4) * force if across > 1e4 and rng.random() < 0.8 else 0.0
    viscous = rng.uniform(0, 0.6) * (force - energised) if rng.random() < 0.6 else 0.0
    coulomb = force - energised - viscous
    static = coulomb * rng.uniform(1.05, 1.7) if rng.random() < 0.5 else 0.0
    stribeck = speed * rng.uniform(0.03, 0.5)
    return SealLaw(coulomb, static, stribeck, viscous / speed, energised / across if energised else 0.0)


def draw_port(rng: np.random.Generator, truth: Truth, this: CylinderTruth, size: Size) -> CylinderTruth:
    """A breathing hole that costs a small part of the seal's loss, its peak drop at most 8 % of ambient."""
    f, p = np.array([size.frequency]), np.array([size.pressure])
    whole = replace(this, port_diameter=this.bore)
    drop = port_drop(truth, whole, piston_velocities(f, this.stroke, truth.rod_length), p).max()
    power, friction = port_power(truth, whole, f, p)[0], seal_power(truth, this, f, p)[0]
    squeeze = min(0.08 * AMBIENT / drop, rng.uniform(0.02, 0.4) * friction / power)
    return replace(this, port_diameter=nice(this.bore * min(squeeze**-0.25, 1.0)))


def draw_cylinder(
    rng: np.random.Generator, name: str, bore: float, stroke: float, friction: float, size: Size, work: float
) -> CylinderTruth:
    """A cylinder whose seal takes about `friction` [W] at the design point."""
    mean_speed = 2 * stroke * size.frequency
    slope = rng.uniform(0, 0.5) * work / size.frequency
    return CylinderTruth(
        name=name,
        bore=bore,
        stroke=stroke,
        seal=draw_seal(rng, friction / mean_speed, mean_speed, size.pressure - AMBIENT),
        gas=str(rng.choice(["air", "nitrogen", "helium"])),
        discharge_coefficient=nice(rng.uniform(0.6, 0.65), 3),
        work_ratio=work - slope * size.frequency,
        work_ratio_slope=slope,
        phase=rng.uniform(0.2, 1.0),
    )


def draw_motor(rng: np.random.Generator, size: Size, speed: float, rotation: float, copper: float) -> MotorTruth:
    """A motor that loses `rotation` and `copper` [W] at the design point's motor speed [rad/s]."""
    supply = str(rng.choice(["terminals", "controller"]))
    standby = rng.uniform(0.02, 0.06) * size.power if supply == "controller" else 0.0
    volts = float(rng.choice([12.0, 24.0, 36.0, 48.0]))
    constant = nice(0.8 * volts / speed)
    form_factor = nice(rng.uniform(1.0, 1.15), 3) if rng.random() < 0.3 else 1.0
    current = (size.power - standby - copper) / (constant * speed)
    return MotorTruth(
        supply=supply,
        resistance=nice(copper / (form_factor * current) ** 2),
        torque_constant=constant,
        form_factor=form_factor,
        law=draw_law(rng, rotation, speed),
        standby=standby,
        heating=rng.uniform(5, 50) / (rotation + copper),
        bus_voltage=volts,
    )


def random_truth(rng: np.random.Generator) -> Truth:
    """A varied small bench: 20 to 1300 W, ratio 1 to 8, bore and stroke 15 to 60 mm, top 6 to 30 Hz."""
    bore, stroke = nice(rng.uniform(0.015, 0.06), 3), nice(rng.uniform(0.015, 0.06), 3)
    work = rng.uniform(0.05, 0.5)
    size = draw_size(rng, bore, stroke, work)
    ratio = nice(rng.uniform(1, 8), 2)
    efficiency = nice(rng.uniform(0.92, 0.99), 2) if rng.random() < 0.5 else 1.0
    copper = rng.uniform(0.02, 0.12) * size.power
    friction = max(size.power - size.pneumatic / efficiency - copper, 0.1 * size.power)
    shares = rng.dirichlet((3.0, 2.0, 4.0)) * friction
    speed = 2 * np.pi * size.frequency
    truth = Truth(
        motor=draw_motor(rng, size, speed * ratio, shares[0], copper),
        linkage=draw_law(rng, shares[1], speed),
        cylinders=(draw_cylinder(rng, "one", bore, stroke, shares[2], size, work),),
        ratio=ratio,
        transmission_efficiency=efficiency,
        rod_length=nice(stroke * rng.uniform(1.5, 4), 3) if rng.random() < 0.7 else None,
        seal_heat_share=nice(rng.uniform(0.5, 1), 2) if rng.random() < 0.3 else 1.0,
        cycle=str(rng.choice(["pulse-tube", "stirling", "none"])),
        top_frequency=size.frequency,
        top_pressure=size.pressure,
    )
    if rng.random() < 0.4:
        truth = replace(truth, cylinders=(*truth.cylinders, second_cylinder(rng, truth, size, shares[2])))
    return replace(truth, cylinders=tuple(draw_port(rng, truth, this, size) for this in truth.cylinders))


def second_cylinder(rng: np.random.Generator, truth: Truth, size: Size, friction: float) -> CylinderTruth:
    """Another bore and seal on the same crank."""
    first = truth.cylinders[0]
    bore = nice(first.bore * rng.uniform(0.7, 1.0), 3)
    work = first.work_ratio + first.work_ratio_slope * size.frequency
    return draw_cylinder(rng, "two", bore, first.stroke, friction * rng.uniform(0.4, 1.2), size, work)


def random_limits(rng: np.random.Generator) -> Limits:
    """Instruments and data sheets from good to poor."""
    exact_motor, exact_geometry = rng.random(2) < 0.3
    return Limits(
        power_gain=nice(rng.uniform(0.001, 0.015), 2),
        power_zero=nice(rng.uniform(0.01, 0.2), 1),
        frequency=nice(rng.uniform(0.002, 0.03), 1),
        voltage_gain=nice(rng.uniform(0.001, 0.008), 2),
        current_gain=nice(rng.uniform(0.001, 0.01), 2),
        resistance=0.0 if exact_motor else nice(rng.uniform(0.005, 0.06), 1),
        torque_constant=0.0 if exact_motor else nice(rng.uniform(0.005, 0.05), 1),
        transmission_efficiency=0.0 if exact_geometry else 0.01,
        port_diameter=0.0 if exact_geometry else nice(rng.uniform(0.005, 0.02), 1),
        discharge_coefficient=0.0 if exact_geometry else 0.05,
        bore=0.0 if exact_geometry else 5e-5,
        stroke=0.0 if exact_geometry else 5e-5,
    )


def random_protocol(rng: np.random.Generator, truth: Truth) -> Protocol:
    """A way to read that machine: 4 to 12 frequencies, 1 to 3 passes, noise of 0.1 to 2 %."""
    top = truth.top_frequency
    frequencies = np.linspace(max(top / rng.uniform(2, 5), 2.0), top, int(rng.integers(4, 13)))
    pressures = (truth.top_pressure,)
    if rng.random() < 0.4:
        pressures = (nice(max(AMBIENT, rng.uniform(0.3, 0.7) * truth.top_pressure)), truth.top_pressure)
    at_terminals = truth.motor.supply == "terminals"
    electric = ["power", "power+current", "volts-amps"] if at_terminals else ["power", "volts-amps"]
    return Protocol(
        sweeps=ladder(
            truth,
            [round(float(f), 2) for f in frequencies],
            pressures,
            repeats=int(rng.integers(1, 4)),
            up_and_down=bool(rng.random() < 0.7),
            motor_alone=bool(rng.random() < 0.7),
            standby=0 if at_terminals or rng.random() < 0.3 else int(rng.integers(1, 5)),
        ),
        title="Simulated bench, random",
        limits=random_limits(rng),
        noise_floor=float(rng.uniform(0.005, 0.05)),
        noise_share=float(np.exp(rng.uniform(np.log(0.001), np.log(0.02)))),
        frequency_jitter=float(rng.uniform(0, 0.005)),
        set_point_scatter=float(rng.choice([0.0, 0.02])),
        pressure_scatter=float(rng.choice([0.0, 0.005])),
        pressure_column=bool(rng.random() < 0.5),
        winding_column=bool(rng.random() < 0.4),
        temperature_columns=bool(rng.random() < 0.4),
        electric_columns=str(rng.choice(electric)),
        speed_column=bool(rng.random() < 0.2),
        states_motor=str(rng.choice(["constants", "incremental", "nothing"], p=[0.8, 0.1, 0.1])),
        states_port=bool(rng.random() < 0.8),
    )


def random_bench(rng: np.random.Generator) -> tuple[Truth, Protocol]:
    """A machine and a way to read it; without a winding column its winding stays as cold as stated."""
    truth = random_truth(rng)
    protocol = random_protocol(rng, truth)
    if not protocol.winding_column:
        truth = replace(truth, motor=replace(truth.motor, heating=0.0))
    if not protocol.pressure_column:
        protocol = replace(protocol, pressure_scatter=0.0)
    return truth, protocol
