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


@dataclass(frozen=True, slots=True, kw_only=True)
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
    offset: float = 0.0
    ending: str = ""
    si_ending: str = ""
    decimals: int = 0
    slip: str = ""
    si_slip: str = ""


_FLOW = M3_PER_S_PER_CFM * 1000.0
_AREA = M_PER_FT**2
_MM = "millimetres"


def _measure(
    core: str,
    si: str,
    factor: float,
    *,
    name: str = "",
    offset: float = 0.0,
    endings: tuple[str, str] = ("", ""),
    decimals: int = 0,
    slips: tuple[str, str] = ("", ""),
) -> Measure:
    return Measure(
        name=name or core,
        core=core,
        si=si,
        factor=factor,
        offset=offset,
        ending=endings[0],
        si_ending=endings[1],
        decimals=decimals,
        slip=slips[0],
        si_slip=slips[1],
    )


MEASURES = {
    m.name: m
    for m in (
        _measure("cfm", "L/s", _FLOW, endings=("cfm", "l_s"), decimals=1, slips=("L/s or m3/h", "cfm or m3/h")),
        _measure("ft", "m", M_PER_FT, endings=("ft", "m"), decimals=1, slips=(f"inches or {_MM}", f"{_MM} or feet")),
        _measure(
            "ft",
            "mm",
            M_PER_FT * 1000.0,
            name="roughness",
            endings=("ft", "mm"),
            decimals=-2,
            slips=(f"inches or {_MM}", "metres or feet"),
        ),
        _measure("in", "mm", M_PER_FT / 0.012, endings=("in", "mm"), decimals=-1, slips=(_MM, "inches")),
        _measure("in", "mm", 1.0, name=NOMINAL, endings=("in", "mm"), slips=(_MM, "inches")),
        _measure("ft2", "m2", _AREA, endings=("ft2", "m2"), decimals=1, slips=("square inches", "square feet")),
        _measure(
            "fpm",
            "m/s",
            M_PER_FT / 60.0,
            endings=("fpm", "m_s"),
            decimals=2,
            slips=("metres a second", "feet a minute"),
        ),
        _measure("inWC", "Pa", PA_PER_INWC, endings=("inwc", "pa"), decimals=-2, slips=("pascals", "inches of water")),
        _measure(
            "inWC/100 ft",
            "Pa/m",
            PA_PER_INWC / (100.0 * M_PER_FT),
            endings=("inwc_per_100ft", "pa_per_m"),
            decimals=-1,
            slips=("pascals", "inches of water"),
        ),
        _measure("Btu/h", "W", W_PER_BTUH, endings=("btuh", "w"), slips=("tons or kW", "kW or Btu/h")),
        _measure(
            "Btu/h ft2",
            "W/m2",
            W_PER_BTUH / _AREA,
            endings=("btuh_per_ft2", "w_per_m2"),
            slips=("W/m2", "Btu/h ft2"),
        ),
        _measure(
            "tons",
            "kW",
            KW_PER_TON,
            endings=("tons", "kw"),
            decimals=1,
            slips=("kW or thousands of Btu/h", "tons or W"),
        ),
        _measure("lb/ft3", "kg/m3", KG_PER_LB / M_PER_FT**3, decimals=-1),
        _measure("Btu/h for each cfm and F", "W for each L/s and C", 1.8 * W_PER_BTUH / _FLOW),
        _measure("cfm a ton", "L/s a kW", _FLOW / KW_PER_TON, decimals=1),
        _measure("USD/ft", "USD/m", 1.0 / M_PER_FT, endings=("per_ft", "per_m")),
        _measure("USD a ft", "USD a m", 1.0 / M_PER_FT),
        _measure(
            "F",
            "C",
            5.0 / 9.0,
            offset=-160.0 / 9.0,
            endings=("f", "c"),
            slips=("degrees Celsius", "degrees Fahrenheit"),
        ),
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

    def shown(self, value: Numbers, quantity: str) -> Numbers:
        """A value of the core, or an array of them, in the unit that is shown."""
        measure = MEASURES.get(quantity)
        return value if measure is None or not self.is_si else value * measure.factor + measure.offset

    def core(self, value: Numbers, quantity: str) -> Numbers:
        """A value as it is written, or an array of them, in the core's unit."""
        measure = MEASURES.get(quantity)
        return value if measure is None or not self.is_si else (value - measure.offset) / measure.factor

    def decimals(self, quantity: str, in_core: int) -> int:
        """Decimals that say as much as ``in_core`` decimals of the core's unit."""
        measure = MEASURES.get(quantity)
        return in_core if measure is None or not self.is_si else max(0, in_core + measure.decimals)

    def number(self, value: float, quantity: str, spec: str) -> str:
        """A value of the core as text in the unit that is shown; ``spec`` such as ``,.0f`` or ``g`` is the core's."""
        match = _SPEC.fullmatch(spec)
        assert match, spec
        sign, places, kind = match.groups()
        if self.is_si and quantity in MEASURES and quantity != NOMINAL:
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
        measure = MEASURES.get(quantity)
        if measure is None or not self.is_si or not measure.ending or not name.endswith(measure.ending):
            return name
        return name.removesuffix(measure.ending) + measure.si_ending


IP = UnitSystem()
SI = UnitSystem("si")
