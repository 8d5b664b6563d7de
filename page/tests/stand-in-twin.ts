// A tank beside its twin: the return drifts, one thing is as it should be, one is being learned, one cannot be judged; a fit with and without bounds.

import type { Fit, TwinCourse } from "../src/api/types.ts";

const DAY = 86_400_000;

/** So many values a day apart, with a wave that stands for noise. */
function course(to: number, n: number, stepMs: number, level: number, wave: number, from = 0): Pick<TwinCourse, "at_ms" | "value" | "expected"> {
  const at_ms = Array.from({ length: n }, (_, i) => to - (n - 1 - i) * stepMs);
  return {
    at_ms,
    value: at_ms.map((_, i) => level * (1 + wave * Math.sin(i * 1.7)) * (i >= n - from ? 0.8 : 1)),
    expected: at_ms.map((_, i) => (i < 12 ? null : level)),
  };
}

export function fitNow(now: number): Fit {
  const to_ms = now - (now % 3_600_000);
  return {
    to_ms,
    is_used: false,
    quantities: [
      {
        quantity: "flow",
        part: "return_flow",
        unit: "L/h",
        state: "drifting",
        words: "Return flow is 20 % below its twin since Sun 2026-01-18: 1920 L/h instead of 2400 L/h.",
        act: "Look at the pump's intake and rotor, then at what it pumps through (sock, valve, hose, reactor), then at the meter's own wheel.",
        caution: "Mains beside salt water: pull the plug before you touch a wire or a wet part.",
        since_ms: to_ms - 1.5 * DAY,
        share: -0.2,
        learned_ms: [to_ms - 20 * DAY, to_ms - 10 * DAY],
        spread: 0.02,
        ...course(to_ms, 80, DAY / 4, 2400, 0.015, 6),
      },
      {
        quantity: "water-use",
        part: "tank",
        unit: "L/d",
        state: "steady",
        words: "The water added in a day is as its twin expects: 6.1 L/d, expected 6.2 L/d and 12 % either way.",
        learned_ms: [to_ms - 31 * DAY, to_ms - 3 * DAY],
        spread: 0.12,
        ...course(to_ms, 40, DAY, 6.2, 0.09),
      },
      { quantity: "ph-swing", part: "ph", unit: "pH", state: "learning", words: "The daily swing of ph is being learned: 5 of 13 samples so far.", ...course(to_ms, 5, DAY, 0.22, 0.1) },
      {
        quantity: "heat-need",
        part: "tank",
        unit: "W",
        state: "not-judged",
        words: "The heat that the heaters give cannot be judged: nothing measures the room, so its weather cannot be told from a fault; a thermometer in the air of the room would.",
        ...course(to_ms, 40, DAY, 90, 0.3),
        expected: Array(40).fill(null),
      },
    ],
    fitted: {
      from_ms: to_ms - 14 * DAY,
      to_ms,
      parameters: [
        { what: "evaporation", unit: "", file: 1, value: 1.18, low: 1.09, high: 1.27, how: "water added by the top-off against what the open water gives off", earlier_ms: [to_ms - 2 * DAY, to_ms - DAY, to_ms], earlier: [1.2, 1.17, 1.18] },
        { what: "heater power", part: "heater_sump", unit: "W", file: 200, value: 196, low: 183, high: 209, how: "how fast the water warms while it is on", earlier_ms: [], earlier: [] },
        { what: "wall loss", unit: "", file: 1, value: 1, how: "", unknown: "the room is not measured, so what the walls lose cannot be told", earlier_ms: [], earlier: [] },
      ],
      left_over: [{ name: "water added", unit: "L", at_ms: Array.from({ length: 14 }, (_, i) => to_ms - (13.5 - i) * DAY), measured: Array.from({ length: 14 }, (_, i) => 6 + Math.sin(i * 2.1) * 0.4), model: Array(14).fill(6) }],
      notes: ["the room is not measured: it is taken to be as the file's first climate says"],
      edits: [{ path: "fitted.evaporation", value: "1.18" }],
    },
  };
}
