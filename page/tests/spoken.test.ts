// Sentences of the station in US units: factors of NIST Handbook 44, appendix C (1 gal = 3.785 411 784 L, 1 in = 25.4 mm), °F = 1.8 °C + 32.

import { expect, test } from "vitest";
import { inUs } from "../src/spoken.ts";

const SP = "\u00a0";

test("quantities are said in US units, everything else stays", () => {
  for (const [metric, said] of [
    ["The display was between 25.0 and 25.6 °C last night.", `The display was between 77.0 and 78.1${SP}°F last night.`],
    ["Hourly from 20:39: 25.4, 25.4, 25.3 °C.", `Hourly from 20:39: 77.7, 77.7, 77.5${SP}°F.`],
    ["Top-off added 3.1 L; 4.7 L was expected.", `Top-off added 0.82${SP}gal; 1.24${SP}gal was expected.`],
    ["evaporates 4.7 ± 1.9 L a day", `evaporates 1.24 ± 0.50${SP}gal a day`],
    ["sump_temp 25.71 degC at 2026-03-01 14:05:10", `sump_temp 78.28${SP}°F at 2026-03-01 14:05:10`],
    ["it is off by +0.50 K", `it is off by +0.90${SP}°F`],
    ["-1.5 °C", `29.3${SP}°F`],
    ["18 mm above its mark, 1200 L/h", `0.7${SP}in above its mark, 317.0${SP}gal/h`],
    ["The reservoir lasts 3.2 days; 25 min; 5 m; 200 W; float_c_2 L", `The reservoir lasts 3.2 days; 25 min; 16${SP}ft; 200 W; float_c_2 L`],
    ["its `sump_temp > 25.6 degC` holds", "its `sump_temp > 25.6 degC` holds"],
    ["8.2 dKH, 420 mg/L, 53.07 mS/cm", "8.2 dKH, 420 mg/L, 53.07 mS/cm"],
  ]) {
    expect(inUs(metric!)).toBe(said);
  }
});
