"""The units that plans are written and shown in, and the exact factors between them.

The core has one system, the trade's: cfm, in, ft, fpm, inWC, Btu/h, F. A plan with ``units = "si"`` is turned into
it where a file is read and out of it where a number is shown, and nowhere between.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:  # the command line starts without numpy
    import numpy as np
    from numpy.typing import NDArray

M_PER_FT = 0.3048  # exact, as are the pound, the Btu (International Table) and the degree
KG_PER_LB = 0.45359237
W_PER_BTUH = 1055.05585262 / 3600.0
PA_PER_INWC = 249.089  # conventional inch of water: NIST SP 811, appendix B, 2.490 889 E+02; from memory
KW_PER_TON = 12_000.0 * W_PER_BTUH / 1000.0
M3_PER_S_PER_CFM = M_PER_FT**3 / 60.0

SYSTEMS = ("ip", "si")
NOMINAL = "size"  # a nominal size is called what it is called: its label is never converted

Numbers = TypeVar("Numbers", float, "NDArray[np.float64]")


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity's unit in the core and in SI: si = core x ``factor`` + ``offset``.

    ``name`` is the core's unit, but where two quantities have one there. ``ending`` and ``si_ending`` close the
    names of columns and keys. ``decimals`` is how many more of them SI takes to say as much. ``slip`` and
    ``si_slip`` name the units that are often written by mistake.
    """

    name: str
    core: str
    si: str
    factor: float
    decimals: int = 0
    ending: str = ""
    si_ending: str = ""
    slip: str = ""
    si_slip: str = ""
    offset: float = 0.0


_FLOW = M3_PER_S_PER_CFM * 1000.0
_AREA = M_PER_FT**2
_RATE = PA_PER_INWC / (100.0 * M_PER_FT)
_MM = "millimetres"
_HEAT = "Btu/h for each cfm and F"

MEASURES = {
    row[0]: Measure(*row)
    for row in (
        ("cfm", "cfm", "L/s", _FLOW, 1, "cfm", "l_s", "L/s or m3/h", "cfm or m3/h"),
        ("ft", "ft", "m", M_PER_FT, 1, "ft", "m", f"inches or {_MM}", f"{_MM} or feet"),
        ("roughness", "ft", "mm", M_PER_FT * 1000.0, -2, "ft", "mm", f"inches or {_MM}", "metres or feet"),
        ("in", "in", "mm", M_PER_FT / 0.012, -1, "in", "mm", _MM, "inches"),
        (NOMINAL, "in", "mm", 1.0, 0, "in", "mm", _MM, "inches"),
        ("ft2", "ft2", "m2", _AREA, 1, "ft2", "m2", "square inches", "square feet"),
        ("fpm", "fpm", "m/s", M_PER_FT / 60.0, 2, "fpm", "m_s", "metres a second", "feet a minute"),
        ("inWC", "inWC", "Pa", PA_PER_INWC, -2, "inwc", "pa", "pascals", "inches of water"),
        ("inWC/100 ft", "inWC/100 ft", "Pa/m", _RATE, -1, "inwc_per_100ft", "pa_per_m", "pascals", "inches of water"),
        ("Btu/h", "Btu/h", "W", W_PER_BTUH, 0, "btuh", "w", "tons or kW", "kW or Btu/h"),
        ("Btu/h ft2", "Btu/h ft2", "W/m2", W_PER_BTUH / _AREA, 0, "btuh_per_ft2", "w_per_m2", "W/m2", "Btu/h ft2"),
        ("tons", "tons", "kW", KW_PER_TON, 1, "tons", "kw", "kW or thousands of Btu/h", "tons or W"),
        ("lb/ft3", "lb/ft3", "kg/m3", KG_PER_LB / M_PER_FT**3, -1),
        (_HEAT, _HEAT, "W for each L/s and C", 1.8 * W_PER_BTUH / _FLOW),
        ("cfm a ton", "cfm a ton", "L/s a kW", _FLOW / KW_PER_TON, 1),
        ("USD/ft", "USD/ft", "USD/m", 1.0 / M_PER_FT, 0, "per_ft", "per_m"),
        ("USD a ft", "USD a ft", "USD a m", 1.0 / M_PER_FT),
        ("F", "F", "C", 5.0 / 9.0, 0, "f", "c", "degrees Celsius", "degrees Fahrenheit", -160.0 / 9.0),
    )
}

_SPEC = re.compile(r"([+,]*)(?:\.([0-9]+))?([fg]?)")


@dataclass(frozen=True, slots=True)
class UnitSystem:
    """The units that one plan is written and shown in; ``currency`` is what its prices are in.

    A quantity is named by its unit in the core, such as cfm, or as ``MEASURES`` names it. One that is not there
    (%, degrees, USD) is the same in both systems.
    """

    name: str = "ip"
    currency: str = "USD"

    @property
    def is_si(self) -> bool:
        return self.name == "si"

    def unit(self, quantity: str) -> str:
        """The unit that is shown behind a quantity."""
        measure = MEASURES.get(quantity)
        unit = quantity if measure is None else measure.si if self.is_si else measure.core
        return unit.replace("USD", self.currency)

    def _turned(self, quantity: str) -> Measure | None:
        """How a quantity is turned; None where it is shown as the core has it."""
        return MEASURES.get(quantity) if self.is_si else None

    def shown(self, value: Numbers, quantity: str) -> Numbers:
        """A value of the core, or an array of them, in the unit that is shown."""
        measure = self._turned(quantity)
        return value * measure.factor + measure.offset if measure else value

    def core(self, value: Numbers, quantity: str) -> Numbers:
        """A value as it is written, or an array of them, in the core's unit."""
        measure = self._turned(quantity)
        return (value - measure.offset) / measure.factor if measure else value

    def decimals(self, quantity: str, in_core: int) -> int:
        """Decimals that say as much as ``in_core`` decimals of the core's unit."""
        measure = self._turned(quantity)
        return max(0, in_core + measure.decimals) if measure else in_core

    def number(self, value: float, quantity: str, spec: str) -> str:
        """A value of the core as text in the unit that is shown; ``spec`` such as ``,.0f`` or ``g`` is the core's."""
        match = _SPEC.fullmatch(spec)
        assert match, spec
        sign, places, kind = match.groups()
        if self._turned(quantity) and quantity != NOMINAL:
            # As g, what was a round number in the core has as many figures as it is worth.
            spec = f"{sign}.{self.decimals(quantity, int(places or 0))}f" if kind == "f" else f"{sign}.{places or 4}g"
        return format(self.shown(value, quantity), spec)

    def say(self, value: float, quantity: str, spec: str = "g") -> str:
        """The same with its unit behind it."""
        return f"{self.number(value, quantity, spec)} {self.unit(quantity)}".rstrip()

    def size(self, label: str) -> str:
        """A nominal size with its unit: 7 in, 8x12 in, 160 mm."""
        return f"{label} {self.unit(NOMINAL)}"

    def name_of(self, name: str, quantity: str) -> str:
        """A column's or key's name in this system, out of the core's: length_ft is length_m in SI."""
        measure = self._turned(quantity)
        if measure and measure.ending and name.endswith(measure.ending):
            return name.removesuffix(measure.ending) + measure.si_ending
        return name


IP = UnitSystem()
SI = UnitSystem("si")
