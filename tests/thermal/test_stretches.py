import numpy as np
import pytest

from controller.thermal.stretches import LONGEST, stretches_of

n, m, T = 3, 2, 200
rng = np.random.default_rng(4)
MODE = np.repeat(rng.integers(0, 3, T // 8), 8)
IS_READ = np.arange(T) % 12 == 0
U = rng.normal(size=(T, m))
PHI = np.eye(n) * 0.9 + 0.03 * rng.normal(size=(2, 3, n, n))  # two models, three modes
GAMMA = rng.normal(size=(2, 3, n, m))


def test_long_steps_end_where_the_short_ones_do():
    cut = stretches_of(MODE, IS_READ, U)
    whole, forcing = cut.powers(PHI), cut.forcing(PHI, GAMMA)
    for model in range(2):
        x = long = np.ones(n)
        ends = np.append(cut.begin[1:], T)
        for k, (begin, end) in enumerate(zip(cut.begin, ends, strict=True)):
            assert long == pytest.approx(x, rel=1e-12)
            for t in range(begin, end):
                x = PHI[model, MODE[t]] @ x + GAMMA[model, MODE[t]] @ U[t]
            long = whole[model, cut.kind[k]] @ long + forcing[model, k]
        assert long == pytest.approx(x, rel=1e-12)


def test_a_stretch_begins_at_each_reading_and_change_of_mode_and_is_not_too_long():
    cut = stretches_of(MODE, IS_READ, U)
    wanted = IS_READ | np.append(True, MODE[1:] != MODE[:-1])
    assert set(np.flatnonzero(wanted)) <= set(cut.begin)
    assert cut.length_of_kind.max() <= LONGEST
    assert cut.length_of_kind[cut.kind].sum() == T
    lone = stretches_of(np.zeros(30, dtype=int), np.zeros(30, dtype=bool), U[:30])
    assert lone.begin.tolist() == [0, 12, 24]
