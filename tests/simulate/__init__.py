"""A simulated piston bench that knows the truth. In tests/: `python -m simulate.make_demo`."""

from simulate.draw import random_bench, random_protocol, random_truth
from simulate.effects import Effects, Pins
from simulate.machine import CylinderTruth, MotorTruth, SealLaw, TorqueLaw, Truth
from simulate.rig import Answer, Limits, PlannedSweep, Protocol, Slip, ladder, perturb, write_bench

__all__ = [
    "Answer",
    "CylinderTruth",
    "Effects",
    "Limits",
    "MotorTruth",
    "Pins",
    "PlannedSweep",
    "Protocol",
    "SealLaw",
    "Slip",
    "TorqueLaw",
    "Truth",
    "ladder",
    "perturb",
    "random_bench",
    "random_protocol",
    "random_truth",
    "write_bench",
]
