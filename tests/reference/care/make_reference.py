"""Outside values for the tests of crates/care: Student's t by scipy, regressions by statsmodels, molar masses by molmass, the
carbonate system by PyCO2SYS, densities by gsw.

Run: python3 -m venv venv && venv/bin/pip install -r requirements.txt && venv/bin/python make_reference.py
Two runs give the same bytes. The tests never run Python.
"""

import random
from pathlib import Path

import gsw
import molmass
import numpy as np
import PyCO2SYS
import scipy
import scipy.stats
import statsmodels
import statsmodels.api as sm

HERE = Path(__file__).parent


def write(name, comment, header, rows):
    def shown(cell):
        return cell if isinstance(cell, str) else repr(int(cell)) if isinstance(cell, (int, np.integer)) else f"{float(cell):.12g}"

    lines = ["# " + comment, ",".join(header)] + [",".join(shown(c) for c in row) for row in rows]
    (HERE / f"{name}.csv").write_text("\n".join(lines) + "\n")


def student():
    rows = [
        [confidence, dof, scipy.stats.t.ppf(0.5 + confidence / 2, dof)]
        for confidence in (0.5, 0.9, 0.95, 0.99, 0.999)
        for dof in (1, 2, 3, 4, 5, 8, 12, 20, 34, 60, 120, 1000)
    ]
    write("student_t", f"basis: computed; two-sided quantile of Student's t by scipy {scipy.__version__}", ["confidence", "dof", "t"], rows)


# NIST statistical reference dataset "Norris" (linear regression, 36 observations), recalled from memory; that the recalled data
# give the recalled certified values to all digits proves both.
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8
888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
CERTIFIED = (-0.262323073774029, 1.00211681802045, 0.232818234301152, 0.429796848199937e-3)


def norris():
    numbers = [float(x) for x in NORRIS.split()]
    pairs = list(zip(numbers[1::2], numbers[0::2]))
    fit = sm.OLS([y for _, y in pairs], sm.add_constant([x for x, _ in pairs])).fit()
    got = (*fit.params, *fit.bse)
    # the columns may have been recalled the other way round
    if abs(got[1] - CERTIFIED[1]) > 1e-9:
        pairs = [(y, x) for x, y in pairs]
        fit = sm.OLS([y for _, y in pairs], sm.add_constant([x for x, _ in pairs])).fit()
        got = (*fit.params, *fit.bse)
    assert all(abs(g / c - 1) < 1e-10 for g, c in zip(got, CERTIFIED)), got
    write(
        "norris",
        "NIST statistical reference dataset Norris (from memory; proved by its certified values: intercept -0.262323073774029 with"
        " sd 0.232818234301152; slope 1.00211681802045 with sd 0.000429796848199937; residual sd 0.884796396144373)",
        ["x", "y"],
        pairs,
    )


def lines():
    """Straight lines of drifting probes and falling alkalinity: fit, 95 % intervals, mean response."""
    draw = random.Random(7)
    points, fits = [], []
    for case, (n, a, b, sd) in enumerate([(3, 100, -0.05, 0.3), (4, 8.2, -0.5, 0.1), (6, 420, -3, 5), (9, 8, -0.45, 0.15), (14, 98, -0.02, 0.5), (25, 0, 0.3, 2)]):
        x = sorted(round(draw.uniform(0, 40), 2) for _ in range(n))
        y = [round(a + b * t + draw.gauss(0, sd), 3) for t in x]
        points += [[case, t, v] for t, v in zip(x, y)]
        fit = sm.OLS(y, sm.add_constant(x)).fit()
        low, high = fit.conf_int(0.05)[1]
        at = x[-1] + 5
        frame = fit.get_prediction([[1, at]]).summary_frame(0.05)
        outliers = fit.outlier_test()  # studentised residual, p, Bonferroni p
        worst = max(range(n), key=lambda i: abs(outliers[i][0])) if n > 3 else 0
        fits.append([
            case, fit.params[1], low, high, np.sqrt(fit.mse_resid), at, frame["mean"].iloc[0], frame["mean_ci_lower"].iloc[0],
            frame["mean_ci_upper"].iloc[0], frame["obs_ci_lower"].iloc[0], frame["obs_ci_upper"].iloc[0], worst,
            outliers[worst][0] if n > 3 else 0, outliers[worst][1] if n > 3 else 1,
        ])
    source = f"basis: computed; ordinary least squares by statsmodels {statsmodels.__version__}"
    write("line_points", source + "; the points", ["case", "x", "y"], points)
    write(
        "line_fits",
        source + "; slope and mean response with 95 % intervals; the point with the largest externally studentised residual and its p",
        ["case", "slope", "slope_low", "slope_high", "residual_sd", "at", "mean", "mean_low", "mean_high", "new_low", "new_high", "worst", "studentised", "p"],
        fits,
    )


def segments():
    """Lines of one slope broken by water changes: least squares with an intercept for each stretch."""
    draw = random.Random(11)
    points, fits = [], []
    for case, (counts, slope, sd) in enumerate([((4, 3), -0.5, 0.1), ((3, 2, 5), -0.3, 0.2), ((2, 2), -2.0, 4), ((6, 1, 6), 0.4, 0.3)]):
        x, y, group, start = [], [], [], 0.0
        for g, n in enumerate(counts):
            level = draw.uniform(7, 9)
            for k in range(n):
                t = round(start + k * 1.5 + draw.uniform(0, 1), 2)
                x.append(t); y.append(round(level + slope * (t - start) + draw.gauss(0, sd), 3)); group.append(g)
            start = x[-1] + 1
        points += [[case, g, t, v] for g, t, v in zip(group, x, y)]
        design = np.column_stack([x] + [[1.0 if g == k else 0.0 for g in group] for k in range(len(counts))])
        fit = sm.OLS(y, design).fit()
        low, high = fit.conf_int(0.05)[0]
        fits.append([case, fit.params[0], low, high, np.sqrt(fit.mse_resid)])
    source = f"basis: computed; least squares with common slope and an intercept a stretch by statsmodels {statsmodels.__version__}"
    write("segment_points", source + "; the points", ["case", "segment", "x", "y"], points)
    write("segment_fits", source, ["case", "slope", "slope_low", "slope_high", "residual_sd"], fits)


def molar_masses():
    formulas = "NaHCO3 Na2CO3 Na2CO3.H2O Na2CO3.10H2O CaCl2 CaCl2.2H2O CaCl2.6H2O MgCl2.6H2O MgSO4.7H2O MgSO4 Ca(OH)2 NO3 PO4 CaCO3".split()
    rows = []
    for formula in formulas:
        parts = formula.split(".")
        mass = molmass.Formula(parts[0]).mass
        if len(parts) == 2:
            waters = parts[1].removesuffix("H2O") or "1"
            mass += int(waters) * molmass.Formula("H2O").mass
        rows.append([formula, mass])
    write("molar_masses", f"basis: computed; molmass {molmass.__version__} (IUPAC atomic weights)", ["formula", "g_per_mol"], rows)


def mass(formula):
    parts = formula.split(".")
    waters = (parts[1].removesuffix("H2O") or "1") if len(parts) == 2 else "0"
    return molmass.Formula(parts[0]).mass + int(waters) * molmass.Formula("H2O").mass


def rho_kg_l(salinity, t):
    return float(gsw.rho_t_exact(salinity * 35.16504 / 35, t, 0)) / 1000


def doses():
    """Salt that raises a tank, and pH after it: bicarbonate brings one carbon an equivalent, carbonate half of one."""
    rows = []
    meq_per_dkh = 20 / molmass.Formula("CaO").mass * 1  # 10 mg CaO a litre, two equivalents a mole
    for volume, t, salinity in ((100, 25, 35), (415, 25.4, 35), (60, 24, 33)):
        for what, rise, formula, mmol_l, per_mol in (
            ("alkalinity", 1.0, "NaHCO3", meq_per_dkh, 1), ("alkalinity", 1.0, "Na2CO3", meq_per_dkh, 2),
            ("alkalinity", 0.4, "Na2CO3.10H2O", 0.4 * meq_per_dkh, 2), ("alkalinity", 0.7, "Na2CO3.H2O", 0.7 * meq_per_dkh, 2),
            ("calcium", 20, "CaCl2.2H2O", 20 / molmass.Formula("Ca").mass, 1), ("calcium", 20, "CaCl2", 20 / molmass.Formula("Ca").mass, 1),
            ("calcium", 15, "CaCl2.6H2O", 15 / molmass.Formula("Ca").mass, 1), ("magnesium", 50, "MgCl2.6H2O", 50 / molmass.Formula("Mg").mass, 1),
            ("magnesium", 50, "MgSO4.7H2O", 50 / molmass.Formula("Mg").mass, 1), ("magnesium", 10, "MgSO4", 10 / molmass.Formula("Mg").mass, 1),
        ):
            rows.append([volume, t, salinity, what, rise, formula, mmol_l * volume / per_mol * mass(formula) / 1000])
    write("doses", f"basis: computed; rise * volume / equivalents * molar mass by molmass {molmass.__version__}; dKH and mg/L",
          ["volume_L", "t_C", "S", "quantity", "rise", "salt", "grams"], rows)
    rows = []
    for dkh, ph_nbs, rise, salt, carbon in ((7.0, 8.2, 1.0, "NaHCO3", 1.0), (7.0, 8.2, 1.0, "Na2CO3", 0.5), (8.5, 8.0, 0.5, "Na2CO3", 0.5), (6.0, 8.4, 1.0, "NaHCO3", 1.0)):
        salinity, t = 35, 25
        per_dkh = meq_per_dkh / rho_kg_l(salinity, t) * 1000
        options = dict(salinity=salinity, temperature=t, opt_k_carbonic=10, opt_k_bisulfate=1, opt_total_borate=1, opt_k_fluoride=2)
        start = PyCO2SYS.sys(par1=dkh * per_dkh, par1_type=1, par2=ph_nbs, par2_type=3, opt_pH_scale=4, **options)
        end = PyCO2SYS.sys(par1=(dkh + rise) * per_dkh, par1_type=1, par2=start["dic"] + carbon * rise * per_dkh, par2_type=2, opt_pH_scale=4, **options)
        rows.append([salinity, t, dkh, ph_nbs, rise, salt, end["pH_nbs"]])
    write("dose_ph", f"basis: computed; PyCO2SYS {PyCO2SYS.__version__} options 10/1/1/2 (Lueker; Dickson; Uppstrom; Perez & Fraga); pH of NBS after a dose at once",
          ["S", "t_C", "dkh", "ph_nbs", "rise_dkh", "salt", "ph_after"], rows)


def new_water():
    rows = []
    for litres, salinity, t in ((100, 35, 25), (20, 33, 20), (415, 36, 26), (1, 30, 22)):
        kg = litres * rho_kg_l(salinity, t)
        salt = kg * salinity * 35.16504 / 35 / 1000
        rows.append([litres, salinity, t, salt, kg - salt])
    write("new_water", f"basis: computed; gsw {gsw.__version__} density (TEOS-10) times absolute salinity of the Reference Composition",
          ["litres", "S", "t_C", "salt_kg", "fresh_kg"], rows)


if __name__ == "__main__":
    for make in (student, norris, lines, segments, molar_masses, doses, new_water):
        make()
