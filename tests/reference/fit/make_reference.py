"""Outside values for the tests of crates/fit: least squares and instrumental variables by statsmodels, the delete-a-group jackknife as a
loop over its fits, the 95 % half width of a normal plus an even deviation by scipy's quadrature.

Run: python3 -m venv venv && venv/bin/pip install -r requirements.txt && venv/bin/python make_reference.py
Two runs give the same bytes. The tests never run Python.
"""

import random
from pathlib import Path

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import integrate, optimize, stats
from statsmodels.sandbox.regression.gmm import IV2SLS

HERE = Path(__file__).parent


def write(name, comment, header, rows):
    def shown(cell):
        return repr(int(cell)) if isinstance(cell, (int, np.integer)) else f"{float(cell):.12g}"

    lines = ["# " + comment, ",".join(header)] + [",".join(shown(c) for c in row) for row in rows]
    (HERE / f"{name}.csv").write_text("\n".join(lines) + "\n")


def rows():
    """Days of six rows: two columns, an instrument of the first, a response whose error hangs on its day."""
    draw = random.Random(7)
    all_rows = []
    for day in range(12):
        off = draw.gauss(0, 0.6)
        for _ in range(6):
            step = draw.gauss(0, 1)
            x1 = round(4 + step + 0.8 * off, 4)
            x2 = round(9 + draw.gauss(0, 0.4), 4)
            y = round(1.7 * x1 - 0.6 * x2 + off + draw.gauss(0, 0.2), 4)
            all_rows.append((day, round(step, 4), x1, x2, y))
    return all_rows


def fits():
    data = np.array(rows())
    write(
        "blocks",
        "basis: computed; drawn with seed 7: days of six rows, an instrument, two columns, a response",
        ["day", "z1", "x1", "x2", "y"],
        data.tolist(),
    )
    day, z, x, y = data[:, 0], data[:, [1, 3]], data[:, 2:4], data[:, 4]
    days = sorted(set(day))
    result = []
    for kind, fit in enumerate(
        (
            lambda keep: sm.OLS(y[keep], x[keep]).fit().params,
            lambda keep: IV2SLS(y[keep], x[keep], instrument=z[keep]).fit().params,
        )
    ):
        whole = fit(day >= 0)
        without = np.array([fit(day != d) for d in days])
        n = len(days)
        off = without - without.mean(axis=0)
        square = (off**2).sum(axis=0)
        follow = (off[1:] * off[:-1]).sum(axis=0) / square
        for j in (0, 1):
            result.append([kind, j, whole[j], np.sqrt((n - 1) / n * square[j]), follow[j]])
    write(
        "fits",
        f"basis: computed; coefficients by statsmodels {statsmodels.__version__} (0: OLS; 1: IV2SLS); jackknife over days and the correlation of "
        "neighbours of its parts by a loop over these fits",
        ["kind", "column", "value", "jackknife", "neighbours"],
        result,
    )


def joined():
    def inside(half, sd, bound):
        density = lambda u: (stats.norm.cdf((half - u) / sd) - stats.norm.cdf((-half - u) / sd)) / (2 * bound)
        return integrate.quad(density, -bound, bound, epsabs=1e-12)[0]

    table = []
    for ratio in (0.05, 0.2, 0.5, 1, 1.7, 3, 10):
        half = optimize.brentq(lambda h: inside(h, 1.0, ratio) - 0.95, 1e-6, 3 * ratio + 6, xtol=1e-12)
        table.append([1.0, ratio, half])
    write(
        "joined",
        f"basis: computed; half width that holds 95 % of a normal deviation plus one even within bounds; scipy {scipy.__version__}",
        ["sd", "bound", "half95"],
        table,
    )


fits()
joined()
