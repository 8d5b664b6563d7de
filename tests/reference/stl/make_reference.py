"""Robustness of formulas over random traces by rtamt 0.4.10 (discrete time, offline), for the tests of crates/trial/src/stl.rs.

Run: python3 -m venv /tmp/stl-venv && /tmp/stl-venv/bin/pip install -r requirements.txt && /tmp/stl-venv/bin/python make_reference.py
Two runs give the same bytes. The tests never run Python.
"""

import random
from pathlib import Path

import rtamt

HERE = Path(__file__).parent
N_TRACES = 6
N_SAMPLES = 60

# Name, formula for one sample, and how many samples ahead it looks. Intervals are in samples.
FORMULAS = [
    ("hot", "eventually[0:4](x <= 29.5)", 4),
    ("cold", "eventually[0:6](x >= 24.5)", 6),
    ("later", "eventually[2:5](x >= 26)", 5),
    ("stays", "always[1:3](x >= y)", 3),
    ("exactly", "eventually[3:3](x <= 28)", 3),
    ("response", "(x <= 27) or (eventually[0:3](y >= 26))", 3),
    ("both", "(x >= 23) and (eventually[1:7](y <= 26))", 7),
    ("settles", "eventually[0:5](always[0:2](x <= 27))", 7),
    ("recovers", "always[0:2](eventually[1:4](y >= 25.5))", 6),
    ("until", "(x >= 24) until[0:5] (y >= 26)", 5),
    ("until_later", "(x >= 23.5) until[2:6] (y >= 26)", 6),
    ("until_late_only", "(x >= 23.5) until[4:4] (y >= 25)", 4),
    ("release", "not((x >= 24) until[1:4] (y <= 26))", 4),
    ("until_nested", "(eventually[0:2](x >= 25)) until[1:5] (always[0:3](y <= 28))", 8),
    ("eventually_until", "eventually[1:3]((x <= 28) until[0:4] (y <= 25))", 7),
    ("negated", "not((eventually[0:3](x >= 27)) and (always[2:4](y <= 27)))", 4),
]


def trace(seed):
    """Two random walks that come back to 26, with three decimals."""
    rng = random.Random(seed)
    values = []
    x, y = 26.0, 26.0
    for _ in range(N_SAMPLES):
        x += 0.25 * (26.0 - x) + rng.uniform(-2.0, 2.0)
        y += 0.25 * (26.0 - y) + rng.uniform(-2.0, 2.0)
        values.append((round(x, 3), round(y, 3)))
    return values


def robustness(text, values):
    """Of the formula at each sample; rtamt cuts intervals off at the end of the trace."""
    spec = rtamt.StlDiscreteTimeSpecification()
    spec.declare_var("x", "float")
    spec.declare_var("y", "float")
    spec.spec = text
    spec.parse()
    data = {"time": list(range(len(values))), "x": [v[0] for v in values], "y": [v[1] for v in values]}
    return [rob for _, rob in spec.evaluate(data)]


def main():
    traces = [trace(seed) for seed in range(N_TRACES)]
    with open(HERE / "traces.csv", "w") as out:
        out.write("# random walks for robustness.csv; made by make_reference.py; no outside source\n")
        out.write("trace,sample,x,y\n")
        for name, values in enumerate(traces):
            for sample, (x, y) in enumerate(values):
                out.write(f"{name},{sample},{x!r},{y!r}\n")
    with open(HERE / "robustness.csv", "w") as out:
        out.write(
            "# computed by rtamt 0.4.10 (discrete time; offline): robustness at the first sample; lowest over the samples "
            "whose windows are complete; lowest over those cut off by the end; the whole of always(formula)\n"
        )
        out.write("name,formula,horizon_samples,trace,at_first,lowest_complete,lowest_cut,always\n")
        for name, text, horizon in FORMULAS:
            for number, values in enumerate(traces):
                each = robustness(text, values)
                complete, cut = each[: len(each) - horizon], each[len(each) - horizon :]
                whole = robustness(f"always({text})", values)[0]
                assert whole == min(each)
                row = [each[0], min(complete), min(cut), whole]
                out.write(f"{name},{text},{horizon},{number}," + ",".join(repr(float(v)) for v in row) + "\n")


if __name__ == "__main__":
    main()
