// Invented water and calibrations for the stand-in: enough of each to show every sentence that the views have.

import type { Calibrated, Calibrations, DosePlan, LimePlan, Quantity, Reading, Remark, Water, WaterChange } from "../src/api/types.ts";

const DAY = 86_400_000;

const remark = (id: string, level: Remark["level"], text: string, help?: string, facts: string[] = []): Remark => ({ id, level, text, facts, ...(help ? { help } : {}) });

function quantity(name: string, unit: string, decimals: number, target: [number, number], more: Partial<Quantity> = {}): Quantity {
  return { name, unit, decimals, target, act: [target[0] * 0.8, target[1] * 1.2], salts: [], tests: [], fitted: [], remarks: [], ...more };
}

export function water(now: number): Water {
  const falling = (from: number, by: number, n: number) => Array.from({ length: n }, (_, i) => ({ at_ms: now - (n - i) * 2 * DAY, value: from - by * i + (i % 2) * by * 0.3 }));
  const alkalinity = falling(8.6, 0.15, 9);
  return {
    lines: [
      { id: 3, at_ms: now - 2 * DAY, what: "alkalinity", value: "7.45 dKH", who: "mara", note: "" },
      { id: 2, at_ms: now - 3 * DAY, what: "dose sodium bicarbonate", value: "12.40 g", who: "mara", note: "in four portions" },
      { id: 1, at_ms: now - 9 * DAY, what: "calcium", value: "40 mg/L", who: "ines", note: "", voided_by: "mara" },
    ],
    quantities: [
      quantity("alkalinity", "dKH", 2, [7, 10], {
        daily_limit: 1,
        salts: ["sodium bicarbonate", "sodium carbonate"],
        tests: alkalinity,
        fitted: [alkalinity[4]!, alkalinity[8]!],
        standing: "within",
        reckoned: { value: 7.9, half95: 0.31, is_apart: true },
        used: { quantity: "alkalinity", unit: "dKH", per_day: 0.42, half95: 0.06, now: 7.42, n_tests: 9, remarks: [] },
        remarks: [remark("test-disagrees", "warning", "alkalinity tests as 7.40 dKH, reckoned were 7.90", "test again; then look at the pump", ["they differ by -0.50 where ±0.43 is chance (95 %)"])],
      }),
      quantity("calcium", "mg/L", 0, [400, 450], {
        daily_limit: 20,
        salts: ["calcium chloride dihydrate"],
        tests: falling(425, 3, 5),
        standing: "within",
        used: { quantity: "calcium", unit: "mg/L", per_day: 2.9, half95: 3.4, now: 413, n_tests: 5, remarks: [remark("consumption-uncertain", "note", "a use of 2.9 mg/L a day is not sure: it may be off by 3.4", "test every second day at the same hour for a fortnight")] },
      }),
      quantity("magnesium", "mg/L", 0, [1250, 1400], { daily_limit: 50, salts: ["magnesium chloride hexahydrate"] }),
      quantity("nitrate", "mg/L", 1, [1, 10], {
        tests: [{ at_ms: now - DAY, value: 31 }],
        standing: "far-above",
        used: { quantity: "nitrate", unit: "mg/L", n_tests: 1, remarks: [remark("not-known", "note", "a line needs two points at least; measure again another day")] },
      }),
      quantity("phosphate", "mg/L", 3, [0.02, 0.1]),
      quantity("salinity", "PSU", 2, [33, 36]),
    ],
    changes_ms: [now - 11 * DAY],
    salts: [
      { name: "sodium bicarbonate", formula: "NaHCO3", dissolves_g_l: 90 },
      { name: "calcium chloride dihydrate", formula: "CaCl2.2H2O", dissolves_g_l: 800, caution: "calcium chloride makes water hot as it dissolves" },
    ],
    tank: { volume_l: 415, salinity: 35, temperature_c: 25.4 },
    ions: { salinity_rise_year: 3.7, remarks: [] },
  };
}

export const dosePlan: DosePlan = {
  salt: "sodium bicarbonate (NaHCO3)",
  now: { value: 7.42, by: "by the line of 9 tests, at the newest" },
  target: 8.5,
  used: { value: 0.42, by: "by 9 tests of the log" },
  days: 2,
  g_per_day: 11.92,
  hold_g_per_day: 5.22,
  portions: 2,
  steps: ["For 2 days, 11.92 g of sodium bicarbonate a day, in 2 portions at least: alkalinity rises by 0.54 dKH a day, and its use is covered.", "Then 5.22 g of sodium bicarbonate a day."],
  remarks: [],
  log: { what: "dose sodium bicarbonate", value: "11.92 g" },
};

export const limePlan: LimePlan = {
  evaporation: { value: 4.7, by: "by calculation, climate winter; known to 40 % unless measured" },
  evaporation_half95: 1.9,
  most_dkh_day: 1.29,
  litres_day: 1.53,
  rest_dkh_day: 0,
  steps: ["Use: 0.42 dKH a day, by 9 tests of the log. All that evaporates as limewater gives 1.29 ± 0.52 dKH and 9.2 mg/L of calcium a day.", "1.53 L of limewater a day, 33 % of the top-off."],
  remarks: [
    remark("lime-too-much", "warning", "limewater as the whole top-off may raise alkalinity by up to 1.39 dKH a day", "a pump of its own with a limit a day", ["evaporation 2.8 to 6.6 L a day"]),
    remark("caution-lime", "note", "limewater burns eyes and skin: goggles, gloves, a label on its vessel; out of reach of children and animals"),
  ],
};

export const waterChange: WaterChange = {
  share: 0.1,
  salt_kg: 1.44,
  fresh_kg: 39.5,
  values: [{ quantity: "alkalinity", unit: "dKH", decimals: 2, before: 7.42, new: 6.61, after: 7.34 }],
  steps: ["For 40.0 L of salinity 35.0: 1.440 kg of salt in 39.50 L of fresh water. Mixes differ by some percent: measure at 25.4 °C, then correct."],
};

export function calibrations(now: number): Calibrations {
  return {
    calibrations: [{ id: 4, at_ms: now - 20 * DAY, part: "ph", who: "mara", says: "slopes 94.1 % and 94.1 %, offset +6.20 mV", note: "buffers 7.00 and 10.01" }],
    probes: [
      {
        name: "ph",
        measures: "ph",
        own_unit: "mV",
        thermometer: "display_temp",
        made: [
          { at_ms: now - 110 * DAY, slope_percent: 99.1, offset: 1.2 },
          { at_ms: now - 80 * DAY, slope_percent: 97.6, offset: 2.9, found_off: -0.09 },
          { at_ms: now - 50 * DAY, slope_percent: 95.8, offset: 4.4, found_off: -0.16 },
          { at_ms: now - 20 * DAY, slope_percent: 94.1, offset: 6.2, found_off: -0.21 },
        ],
        out: { earliest_ms: now + 40 * DAY, expected_ms: now + 150 * DAY, latest_ms: now + 400 * DAY },
        holds: { days: 9, tolerance: 0.1, unit: "pH", wanted_days: 14, per_week: -0.036, n: 3 },
        remarks: [remark("probe-does-not-hold", "warning", "the probe does not hold its calibration: within 0.1 pH for 9 days, not 14", "replace it, or take its readings for a trend only", ["3 calibrations found it off; the most was -0.21 pH after 30 days"])],
      },
      { name: "display_temp", measures: "temperature", own_unit: "degC", made: [], remarks: [] },
      { name: "conductivity", measures: "conductivity", own_unit: "mS/cm", thermometer: "display_temp", made: [], not_kept: "The program does not read `conductivity`, so the board keeps no calibration of it; use it in a rule or an alarm", remarks: [] },
    ],
    pumps: [{ name: "lime_pump", flow_ml_min: 50 }],
  };
}

/** Settles within three seconds, so that a test need not wait a minute. */
export function reading(isPh: boolean, since: number, now: number): Reading {
  const isStill = now - since > 3000;
  const mean = isPh ? 3.1 : 25.3;
  return {
    at_ms: now,
    shown: isPh ? 6.95 : 25.3,
    own: mean,
    temperature_c: 24.8,
    stands: isStill ? "still" : "settling",
    words: isStill ? "It stands: the mean of 60 readings may be taken." : "It still moves by -0.8 mV a minute; less than 0.30 is wanted. Stir a little, then hold still.",
    ...(isStill ? { mean, sd: 0.1 } : {}),
    readings: Array.from({ length: 20 }, (_, i): [number, number] => [now - (20 - i) * 1000, mean + 4 * Math.exp(-i / 4)]),
    buffers: isPh ? [{ label: "4.01", ph: 4.0 }, { label: "7.00", ph: 7.0 }, { label: "10.01", ph: 10.01 }] : [],
  };
}

export const calibrated: Calibrated = {
  is_accepted: true,
  says: "slopes 96.7 % and 96.7 %, offset +3.10 mV",
  remarks: [remark("ph-slope-ageing", "note", "the slope is 96.7 % of the ideal 59.16 mV/pH")],
};
