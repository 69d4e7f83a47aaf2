"""The network's step written out link by link, slowly: an oracle for the fast one, and a yardstick for it."""

import math

import numpy as np


def reference_step(network, coefficients, temp_k, source_w, wind_m_s, dt_s):
    """Return the nodes' temperatures after one implicit step, by loops over every link."""
    nodes = network.nodes
    matrix = [[0.0] * nodes for _ in range(nodes)]
    right = []
    for node in range(nodes):
        stored = network.capacity_j_per_k[node] / dt_s
        matrix[node][node] = stored
        right.append(stored * temp_k[node] + source_w[node])
    for link, (a, b) in enumerate(zip(network.a.tolist(), network.b.tolist(), strict=True)):
        fixed, radiant, mean, half, wind = (float(row[link]) for row in coefficients)
        ta, tb = float(temp_k[a]), float(temp_k[b])
        convective = mean + half if ta > tb else mean - half
        conductance = (
            fixed
            + radiant * (ta * ta + tb * tb) * (ta + tb)
            + convective * math.pow(abs(ta - tb), 1.0 / 3.0)
            + wind * wind_m_s
        )
        for here, there in ((a, b), (b, a)):
            if here < nodes:
                matrix[here][here] += conductance
                if there < nodes:
                    matrix[here][there] -= conductance
                else:
                    right[here] += conductance * float(temp_k[there])
    return np.linalg.solve(np.array(matrix), np.array(right))
