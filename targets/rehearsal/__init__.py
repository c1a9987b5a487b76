"""Rehearsal: a print and a scan that never happened, as seeded layers with known truth."""

from .damage import (
    Bump,
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
from .draw import DamageRanges, draw_damage, draw_ring_damage
from .geometry import ScanGeometry
from .inkjet import INKJETS, VirtualInkjet, inkjet
from .options import NozzleGap, PrintOptions, ScanOptions
from .printers import IccPrinter, IdentityPrinter, Printer, icc_printer
from .rehearse import check_damages, rehearse, rehearse_array
from .ringpath import RingPath, ring_path
from .screens import Screen
from .spelling import DAMAGE_HELP, parse_damage
from .truth import RingTruth, Truth

__all__ = [
    "DAMAGE_HELP",
    "INKJETS",
    "Bump",
    "Cast",
    "Damage",
    "DamageRanges",
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
    "Screen",
    "Step",
    "Truth",
    "VirtualInkjet",
    "check_damages",
    "draw_damage",
    "draw_ring_damage",
    "icc_printer",
    "inkjet",
    "parse_damage",
    "rehearse",
    "rehearse_array",
    "ring_path",
]
