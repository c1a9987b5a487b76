"""Rehearsal: a print and a scan that never happened, as seeded layers with known truth."""

from .damage import (
    Cast,
    Damage,
    DropOff,
    EarlyHub,
    HeldStretch,
    HueShift,
    LightnessReversal,
    LightnessWave,
    LostStep,
    MergedHues,
    ReversedStep,
    Step,
)
from .geometry import ScanGeometry
from .options import NozzleGap, PrintOptions, ScanOptions
from .printers import IccPrinter, IdentityPrinter, Printer
from .rehearse import check_damages, rehearse, rehearse_array
from .ringpath import RingPath, ring_path
from .truth import RingTruth, Truth

__all__ = [
    "Cast",
    "Damage",
    "DropOff",
    "EarlyHub",
    "HeldStretch",
    "HueShift",
    "IccPrinter",
    "IdentityPrinter",
    "LightnessReversal",
    "LightnessWave",
    "LostStep",
    "MergedHues",
    "NozzleGap",
    "PrintOptions",
    "Printer",
    "ReversedStep",
    "RingPath",
    "RingTruth",
    "ScanGeometry",
    "ScanOptions",
    "Step",
    "Truth",
    "check_damages",
    "rehearse",
    "rehearse_array",
    "ring_path",
]
