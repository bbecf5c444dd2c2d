"""Strengths from what the bench measures: forces, energies, dimensions.

Every result is taken over the measured gross section, voids included. Arguments may be arrays that broadcast; a force, an
energy or a deflection that was not measured is NaN and gives NaN, a dimension must be there. :data:`FORMULAS` says for each
formula what it needs and what a cell of the workbook computes in its stead.

The equations are those of the standards named at each function; the numbers of their clauses are from memory.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Input:
    """
    One thing that is measured for a formula.

    Parameters
    ----------
    key : str
        What the formula calls it.
    unit : str
        N, mm or J.
    label : str
        Plain words for a column's header.
    dimension : bool
        Whether it is measured before the test and is no result by itself; it must be above zero, what is none may be zero.
    """

    key: str
    unit: str
    label: str
    dimension: bool = True


@dataclass(frozen=True)
class Formula:
    """
    How one strength follows from its inputs.

    Parameters
    ----------
    inputs : tuple of Input
        In the order of the function's arguments.
    unit : str
        Unit of the result.
    standard : str
        Where the equation stands.
    function : callable
        The arrays of the inputs to the array of results.
    arithmetic : str
        The same as a spreadsheet's expression, with ``{key}`` for the cell of each input. It holds nothing but the four
        operations, numbers and ``PI()``, which every spreadsheet reads alike.
    """

    inputs: tuple[Input, ...]
    unit: str
    standard: str
    function: Callable[..., Array]
    arithmetic: str

    def in_cell(self, cells: Mapping[str, str]) -> str:
        """
        Return the whole text of a cell, from its ``=`` on; it shows nothing as long as an input is empty.

        Parameters
        ----------
        cells : mapping of str to str
            Address of each input by its key, or what stands for one.
        """
        given = ",".join(cells[one.key] for one in self.inputs)
        value = self.arithmetic.format_map(cells)
        return f'=IF(COUNT({given})={len(self.inputs)},{value},"")'


def tensile_stress(force: ArrayLike, width: ArrayLike, thickness: ArrayLike) -> Array:
    """
    Tensile stress of a bar.

    Parameters
    ----------
    force : array_like
        N; the highest for the strength.
    width, thickness : array_like
        Of the narrow part before the test, mm.

    Returns
    -------
    ndarray of their common shape
        F / (b h), MPa.

    References
    ----------
    ISO 527-1:2019, 10.1.
    """
    return _measured("force", "N", force) / (_size("width", width) * _size("thickness", thickness))


def nominal_strain(extension: ArrayLike, distance: ArrayLike) -> Array:
    """
    Nominal tensile strain from the travel of the grips.

    Parameters
    ----------
    extension, distance : array_like
        How far the grips moved apart, and their distance at the start, mm.

    Returns
    -------
    ndarray of their common shape
        100 L_t / L, %.

    References
    ----------
    ISO 527-1:2019, 10.2.2, method A.
    """
    return 100 * _measured("extension", "mm", extension) / _size("distance between the grips", distance)


def flexural_stress(force: ArrayLike, span: ArrayLike, width: ArrayLike, thickness: ArrayLike) -> Array:
    """
    Stress in the outer face of a bar bent over two supports, half-way between them.

    Parameters
    ----------
    force : array_like
        N. Of a bar that did not break: the force at a strain of 3.5 % (ISO 178), and the stress is then a lower limit of
        the stress at break.
    span, width, thickness : array_like
        Distance of the supports, width and thickness (in the direction of the force), mm.

    Returns
    -------
    ndarray of their common shape
        3 F L / (2 b h^2), MPa.

    References
    ----------
    ISO 178:2019, 9.1.
    """
    section = 2 * _size("width", width) * _size("thickness", thickness) ** 2
    return 3 * _measured("force", "N", force) * _size("span", span) / section


def flexural_strain(deflection: ArrayLike, span: ArrayLike, thickness: ArrayLike) -> Array:
    """
    Strain in the outer face of a bar bent over two supports.

    Parameters
    ----------
    deflection, span, thickness : array_like
        Deflection of the middle of the bar, distance of the supports, thickness, mm.

    Returns
    -------
    ndarray of their common shape
        100 6 s h / L^2, %.

    References
    ----------
    ISO 178:2019, 9.2.
    """
    return 600 * _measured("deflection", "mm", deflection) * _size("thickness", thickness) / _size("span", span) ** 2


def peel_strength(force: ArrayLike, width: ArrayLike) -> Array:
    """
    Force of peeling per width.

    Parameters
    ----------
    force : array_like
        Mean over the peeled length without its beginning, N. Where the strip tears first, the peel strength is at least
        what follows from the tearing force.
    width : array_like
        mm.

    Returns
    -------
    ndarray of their common shape
        F / b, N/mm.

    References
    ----------
    ISO 8510-1 (peel at 90 degrees); ISO 11339 (T-peel).
    """
    return _measured("force", "N", force) / _size("width", width)


def pull_off_strength(force: ArrayLike, diameter: ArrayLike) -> Array:
    """
    Stress at which a round dolly comes off.

    Parameters
    ----------
    force, diameter : array_like
        N; of the dolly's face, mm.

    Returns
    -------
    ndarray of their common shape
        4 F / (pi d^2), MPa.

    References
    ----------
    ISO 4624:2016.
    """
    return 4 * _measured("force", "N", force) / (np.pi * _size("diameter", diameter) ** 2)


def lap_shear_strength(force: ArrayLike, overlap: ArrayLike, width: ArrayLike) -> Array:
    """
    Mean shear stress of a lap joint, or of a block that is pushed off its pad.

    Parameters
    ----------
    force, overlap, width : array_like
        N; length of the overlap in the direction of the force, and its width, mm.

    Returns
    -------
    ndarray of their common shape
        F / (l b), MPa.

    References
    ----------
    ISO 4587:2003.
    """
    return _measured("force", "N", force) / (_size("overlap", overlap) * _size("width", width))


def impact_strength(energy: ArrayLike, width: ArrayLike, thickness: ArrayLike) -> Array:
    """
    Impact strength after Charpy or Izod.

    Parameters
    ----------
    energy : array_like
        Energy of the break, corrected for friction, J. A bar that does not break (type N) has no value.
    width, thickness : array_like
        mm; the width of a notched bar is what remains at the notch, b_N.

    Returns
    -------
    ndarray of their common shape
        10^3 E / (h b), kJ/m^2.

    References
    ----------
    ISO 179-1:2010, clause 8 (a_cU without, a_cN with notch); ISO 180:2019 (a_iU, a_iN).
    """
    return 1000 * _measured("energy", "J", energy) / (_size("thickness", thickness) * _size("width", width))


def tear_strength(force: ArrayLike, thickness: ArrayLike) -> Array:
    """
    Force of tearing per thickness.

    Parameters
    ----------
    force, thickness : array_like
        N; mm.

    Returns
    -------
    ndarray of their common shape
        F / d, N/mm (= kN/m).

    References
    ----------
    ISO 34-1:2022.
    """
    return _measured("force", "N", force) / _size("thickness", thickness)


def _size(what: str, value: ArrayLike) -> Array:
    """Return a dimension, mm; refuse what no thing can measure."""
    sizes = np.asarray(value, dtype=float)
    wrong = sizes[~((sizes > 0) & np.isfinite(sizes))]
    if wrong.size:
        found = "missing" if np.isnan(wrong[0]) else f"{wrong[0]:g} mm"
        raise ValueError(f"the {what} is {found}: it must be measured, in mm, and be above 0")
    return sizes


def _measured(what: str, unit: str, value: ArrayLike) -> Array:
    """Return what a test measured, NaN where it did not; refuse what cannot be."""
    values = np.asarray(value, dtype=float)
    wrong = values[(values < 0) | np.isinf(values)]
    if wrong.size:
        raise ValueError(f"the {what} is {wrong[0]:g} {unit}: it must be 0 or more, and finite")
    return values


_FORCE = Input("force", "N", "force", dimension=False)
_ENERGY = Input("energy", "J", "energy", dimension=False)
_WIDTH, _THICKNESS, _SPAN = Input("width", "mm", "width"), Input("thickness", "mm", "thickness"), Input("span", "mm", "span")
_AT_NOTCH = Input("width", "mm", "width left at the notch")
_IMPACT = "1000*{energy}/({thickness}*{width})"

FORMULAS: dict[str, Formula] = {
    "tensile": Formula(
        (_FORCE, _WIDTH, _THICKNESS), "MPa", "ISO 527-1", tensile_stress, "{force}/({width}*{thickness})"
    ),
    "nominal_strain": Formula(
        (Input("extension", "mm", "grips moved apart by", dimension=False), Input("distance", "mm", "between grips at start")),
        "%", "ISO 527-1", nominal_strain, "100*{extension}/{distance}",
    ),
    "flexural": Formula(
        (_FORCE, _SPAN, _WIDTH, _THICKNESS), "MPa", "ISO 178", flexural_stress,
        "3*{force}*{span}/(2*{width}*{thickness}*{thickness})",
    ),
    "flexural_strain": Formula(
        (Input("deflection", "mm", "deflection", dimension=False), _SPAN, _THICKNESS), "%", "ISO 178", flexural_strain,
        "600*{deflection}*{thickness}/({span}*{span})",
    ),
    "peel": Formula((_FORCE, _WIDTH), "N/mm", "ISO 8510-1, ISO 11339", peel_strength, "{force}/{width}"),
    "pull_off": Formula(
        (_FORCE, Input("diameter", "mm", "diameter of the dolly")), "MPa", "ISO 4624", pull_off_strength,
        "4*{force}/(PI()*{diameter}*{diameter})",
    ),
    "lap_shear": Formula(
        (_FORCE, Input("overlap", "mm", "length of the overlap"), _WIDTH), "MPa", "ISO 4587", lap_shear_strength,
        "{force}/({overlap}*{width})",
    ),
    "charpy": Formula((_ENERGY, _WIDTH, _THICKNESS), "kJ/m2", "ISO 179-1, unnotched", impact_strength, _IMPACT),
    "charpy_notched": Formula((_ENERGY, _AT_NOTCH, _THICKNESS), "kJ/m2", "ISO 179-1, notched", impact_strength, _IMPACT),
    "izod": Formula((_ENERGY, _WIDTH, _THICKNESS), "kJ/m2", "ISO 180, unnotched", impact_strength, _IMPACT),
    "izod_notched": Formula((_ENERGY, _AT_NOTCH, _THICKNESS), "kJ/m2", "ISO 180, notched", impact_strength, _IMPACT),
    "tear": Formula((_FORCE, _THICKNESS), "N/mm", "ISO 34-1", tear_strength, "{force}/{thickness}"),
}
"""Every formula by the word that a study file may give it."""
