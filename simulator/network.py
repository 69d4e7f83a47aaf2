"""A thermal network: nodes that store heat, links that carry it, boundaries that are given.

One step is linearly implicit (backward Euler): conductances are worked out from temperatures and then held,
so a step is linear, stable at any length, and its energy balance closes to rounding.  What is ``held`` may
serve several steps, each then two products of a matrix and a vector.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.physics import STEFAN_BOLTZMANN_W_PER_M2_K4, FloatArray

IndexArray = NDArray[np.intp]

# Rows of ``Links.coefficients`` that others write to.
FIXED, RADIANT = 0, 1


class Links:
    """The links of a network, collected one kind at a time.

    A link from node ``a`` to node ``b`` conducts

        fixed + σ·radiant·(Ta² + Tb²)(Ta + Tb) + convective·|Ta - Tb|^(1/3) + wind·v      [W/K]

    where ``radiant`` is an exchange area [m²] (area, view factor and emissivities together) and
    ``convective`` is an area times a coefficient of turbulent natural convection [W/K^(4/3)], of which there
    are two: one for ``a`` warmer than ``b`` and one for ``a`` colder.
    """

    def __init__(self) -> None:
        self._ends: list[FloatArray] = []
        self._rows: list[FloatArray] = []
        self._count = 0

    def add(
        self,
        a: ArrayLike,
        b: ArrayLike,
        *,
        fixed_w_per_k: ArrayLike = 0.0,
        radiant_m2: ArrayLike = 0.0,
        convective: ArrayLike | tuple[ArrayLike, ArrayLike] = 0.0,
        wind_w_s_per_k_m: ArrayLike = 0.0,
    ) -> slice:
        """Add links from nodes ``a`` to nodes ``b`` and return where they stand."""
        up, down = convective if isinstance(convective, tuple) else (convective, convective)
        table = np.broadcast_arrays(a, b, fixed_w_per_k, radiant_m2, up, down, wind_w_s_per_k_m)
        flat = [np.atleast_1d(np.asarray(column, dtype=np.float64)) for column in table]
        self._ends.append(np.stack(flat[:2]))
        fixed, radiant, warm, cold, wind = flat[2:]
        self._rows.append(np.stack([fixed, radiant, 0.5 * (warm + cold), 0.5 * (warm - cold), wind]))
        begin, self._count = self._count, self._count + len(flat[0])
        return slice(begin, self._count)

    @property
    def ends(self) -> tuple[IndexArray, IndexArray]:
        """The nodes at both ends of each link."""
        a, b = np.concatenate(self._ends, axis=1).astype(np.intp)
        return a, b

    @property
    def coefficients(self) -> FloatArray:
        """Shape (5, links): fixed, radiant times σ, convective (mean, and half of warm less cold), wind."""
        table = np.concatenate(self._rows, axis=1)
        table[RADIANT] *= STEFAN_BOLTZMANN_W_PER_M2_K4
        return np.asarray(table)


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """A network whose links conduct what they did at one moment, for steps of one length.

    The temperatures after a step are ``kept`` times those before it, boundaries included, and
    ``k_per_w`` times the heat put in.
    """

    conductance_w_per_k: FloatArray
    dt_s: float
    kept: FloatArray
    k_per_w: FloatArray

    def step(self, temp_k: FloatArray, source_w: FloatArray) -> FloatArray:
        """Return the nodes' temperatures after a step [K].

        Parameters
        ----------
        temp_k : array, shape (nodes + boundaries,)
            Temperatures now; of the boundaries, those that hold over the step.
        source_w : array, shape (nodes,)
            Heat put into each node.
        """
        return np.asarray(self.kept @ temp_k + self.k_per_w @ source_w)


class Network:
    """Nodes with their capacities, and which links join them.

    Parameters
    ----------
    capacity_j_per_k : array, shape (nodes,)
        Heat capacity of each node, above zero.
    ends : pair of arrays, shape (links,)
        The nodes each link joins; numbers from ``nodes`` on are boundaries.
    boundaries : int
        How many boundaries there are.

    Raises
    ------
    ValueError
        A capacity is not positive, or two nodes are joined twice.

    """

    def __init__(
        self, capacity_j_per_k: FloatArray, ends: tuple[IndexArray, IndexArray], boundaries: int
    ) -> None:
        nodes = len(capacity_j_per_k)
        if not np.all(capacity_j_per_k > 0):
            raise ValueError("every node needs a heat capacity above 0 J/K")
        low, high = np.minimum(*ends), np.maximum(*ends)
        if len({*zip(low.tolist(), high.tolist(), strict=True)}) != len(low) or np.any(low == high):
            raise ValueError("two nodes may be joined by one link only, and none to itself")
        if np.any(low >= nodes) or np.any(high >= nodes + boundaries):
            raise ValueError("a link joins two boundaries, or a node that does not exist")
        self.capacity_j_per_k = capacity_j_per_k
        self.a, self.b = ends
        self.nodes, self.boundaries = nodes, boundaries
        # where each conductance stands in the two flattened matrices, for both its ends
        inner = np.flatnonzero(high < nodes)
        outer = np.flatnonzero(high >= nodes)
        self._inner = np.concatenate([inner, inner])
        self._places = np.concatenate([low[inner] * nodes + high[inner], high[inner] * nodes + low[inner]])
        self._outer = outer
        self._outer_places = low[outer] * boundaries + high[outer] - nodes
        self._matrix = np.zeros((nodes, nodes))
        self._outside = np.zeros((nodes, boundaries))
        self._diagonal = np.arange(nodes) * (nodes + 1)
        self._ones, self._outside_ones = np.ones(nodes), np.ones(boundaries)

    def conductance_w_per_k(
        self, coefficients: FloatArray, temp_k: FloatArray, wind_m_s: float
    ) -> FloatArray:
        """Return what each link conducts at these temperatures, boundaries included [K]."""
        fixed, radiant, convective, lopsided, wind = coefficients
        temp_a, temp_b = temp_k.take(self.a), temp_k.take(self.b)
        difference_k = temp_a - temp_b
        convective = (convective + lopsided * np.sign(difference_k)) * np.cbrt(np.abs(difference_k))
        radiant = radiant * ((temp_a * temp_a + temp_b * temp_b) * (temp_a + temp_b))
        return np.asarray(fixed + radiant + convective + wind * wind_m_s)

    def held(self, conductance_w_per_k: FloatArray, dt_s: float) -> "Held":
        """Return what makes steps of ``dt_s`` seconds while links conduct so, shape (links,)."""
        nodes, matrix, outside = self.nodes, self._matrix, self._outside
        flat = matrix.reshape(-1)
        flat[self._diagonal] = 0.0
        flat[self._places] = -conductance_w_per_k.take(self._inner)
        outside.reshape(-1)[self._outer_places] = conductance_w_per_k.take(self._outer)
        stored = self.capacity_j_per_k / dt_s
        flat[self._diagonal] = stored + outside @ self._outside_ones - matrix @ self._ones
        inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        kept = np.empty((nodes, nodes + self.boundaries))
        np.multiply(inverse, stored, out=kept[:, :nodes])
        np.matmul(inverse, outside, out=kept[:, nodes:])
        return Held(conductance_w_per_k, dt_s, kept, inverse)

    def step(
        self, temp_k: FloatArray, conductance_w_per_k: FloatArray, source_w: FloatArray, dt_s: float
    ) -> FloatArray:
        """Return the nodes' temperatures ``dt_s`` later [K], as ``Held.step`` does."""
        return self.held(conductance_w_per_k, dt_s).step(temp_k, source_w)

    def residual_w(
        self,
        before_k: FloatArray,
        after_k: FloatArray,
        conductance_w_per_k: FloatArray,
        source_w: FloatArray,
        dt_s: float,
    ) -> FloatArray:
        """Return for each node what is stored less what came in [W]: nothing but rounding.

        Worked out link by link, not from the matrix that was solved.  Temperatures include the boundaries.
        """
        flow_w = conductance_w_per_k * (after_k[self.a] - after_k[self.b])
        total = self.nodes + self.boundaries
        out_w = np.bincount(self.a, flow_w, total) - np.bincount(self.b, flow_w, total)
        nodes = slice(self.nodes)
        stored_w = self.capacity_j_per_k * (after_k[nodes] - before_k[nodes]) / dt_s
        return np.asarray(stored_w + out_w[nodes] - source_w)
