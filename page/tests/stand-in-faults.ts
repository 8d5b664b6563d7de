// What the station works out of a design, for the stand-in: a study, a run, mends, wiring, program. Invented, and small enough to be read.

import type { CareItem } from "../src/api/types.ts";
import type { Cell, Mend, Plan, Program, Replay, Row, Wire, Wiring } from "../src/api/design.ts";

export const plan: Plan = {
  hash: "h",
  system: "Harbour Lane reading-room reef",
  requirements: [
    { id: "hot", text: "always display.temperature < 29.5 degC", harm: "cook", severity: "critical", unit: "K" },
    { id: "cold", text: "always display.temperature > 22 degC", harm: "chill", severity: "critical", unit: "K" },
    { id: "floor", text: "always floor < 0.5 L", harm: "flood", severity: "marginal", unit: "L" },
  ],
  faults: [],
  window_h: 63,
  response_h: 4,
  corners: ["heavy_demand"],
};

const cell = (requirement: string, verdict: Cell["verdict"], margin_text: string, more: Partial<Cell> = {}): Cell => ({ requirement, verdict, margin_text, ...more });
const held = [cell("cold", "ok", "+2.4 K"), cell("floor", "ok", "+0.5 L")];
const row = (part: string, mode: string, verdict: Row["verdict"], sentence: string, cells: Cell[], more: Partial<Row> = {}): Row => ({
  fault: `${part}:${mode}`,
  part,
  mode,
  verdict,
  sentence,
  spilled_l: 0,
  cells,
  ...more,
});

export const rows: Row[] = [
  row("float_c_low", "stuck-up", "holds", "float_c_low stuck up: holds", [cell("hot", "ok", "+3.1 K"), ...held]),
  row(
    "heater_display",
    "welded",
    "breaks",
    "heater_display welded: breaks hot after 6.5 h, nobody is told in time",
    [cell("hot", "untold", "−1.2 K", { hours_left: 6.5, margin: -1.2, told_after_h: 7, told_by: "too_warm", instant: "lamps-on", corner: "nominal" }), ...held],
    { mend: "a second thermostat in series" },
  ),
  row("mains_1", "off", "accepted", "mains_1 off: breaks cold after 30 h, accepted", [cell("hot", "ok", "+3.1 K"), cell("cold", "accepted", "−0.4 K", { hours_left: 30 }), cell("floor", "ok", "+0.5 L")]),
  row("return_pump", "seized", "help_in_time", "return_pump seized: breaks cold after 9 h, told after 20 min", [cell("hot", "ok", "+3.1 K"), cell("cold", "breach", "−0.9 K", { hours_left: 9, told_after_h: 0.3, told_by: "no_return_flow" }), cell("floor", "ok", "+0.5 L")]),
];

const N = 400;
const STEP = 120;
const t = Array.from({ length: N }, (_, i) => i * STEP);

export const replay: Replay = {
  start_s: 0,
  step_s: STEP,
  t,
  signals: [
    { id: "display.level", label: "Level of display", unit: "m", is_truth: true, values: t.map((s) => 0.513 - s * 4e-7) },
    { id: "sump_c.level", label: "Level of sump c", unit: "m", is_truth: true, values: t.map((s) => 0.2 + 0.1 * Math.sin(s / 3000)) },
    { id: "sump_a.level", label: "Level of sump a", unit: "m", is_truth: true, values: t.map((s) => 0.249 + 0.05 * Math.sin(s / 2000)) },
    { id: "display.temperature", label: "Temperature of display", unit: "degC", is_truth: true, values: t.map((s) => 25.4 + s / 8000) },
    { id: "display_temp", label: "Display temp", unit: "degC", is_truth: false, values: t.map((s) => 25.4 + s / 8000) },
  ],
  vessels: [{ id: "display", level_signal: "display.level" }],
  outputs: [
    { id: "return_pump", label: "Return pump", on: [[0, N * STEP]] },
    { id: "heater_display", label: "Heater display", on: [[0, 20_000]] },
  ],
  acts: [
    { t_s: 0, what: "fault", id: "heater_display", text: "heater_display: contact welded" },
    { t_s: 3000, what: "rule", id: "heater_display", text: "rule of heater_display: stop" },
    { t_s: 20_000, what: "trip", id: "heat_master", text: "heat_master opened at 27.8 °C" },
    { t_s: 23_400, what: "requirement", id: "hot", text: "hot is broken" },
  ],
  acts_left_out: 0,
  breach_s: 23_400,
  requirement: "hot",
  fault_text: "contact welded",
  instant: "lamps-on",
  corner: "nominal",
};

export const mends: Mend[] = [
  { id: "own-thermostat", text: "a thermostat of its own", closes: false, verdict: "breaks", sentence: "breaks hot after 9 h", parts: ["thermostat"], channels: 0, bytes: 0, price: 18, currency: "EUR", edits: [] },
  {
    id: "two-small-heaters",
    text: "two heaters of 100 W",
    closes: true,
    verdict: "holds",
    sentence: "holds with 0.6 K to spare",
    rows_worse: [],
    open_rows: 0,
    parts: ["heater"],
    channels: 1,
    bytes: 12,
    edits: [{ op: "set", path: "actuator.heater_sump", key: "power", value: "100 W" }],
  },
];

const wire = (id: string, from: string, to: string, more: Partial<Wire> = {}): Wire => ({
  id,
  from,
  to,
  function: "signal",
  is_mains: false,
  colour: "WH",
  colour_name: "white",
  mm2: 0.25,
  length_m: 1.2,
  is_assumed: false,
  cable: null,
  ...more,
});

export const wiring: Wiring = {
  svg: '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 60"><style>path{stroke:#000}</style><path d="M5 30H85"/><text x="5" y="20">heater</text></svg>',
  sheets: [{ title: "Mains", svg: '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 297 210"><path d="M5 30H285" stroke="#000"/></svg>' }],
  runs: [
    { group: "mains", title: "heater_display", wires: [wire("W1", "F1:2", "K1:11", { function: "line", is_mains: true, colour: "BN", colour_name: "brown", mm2: 1.5 })] },
    { group: "inputs", title: "float_c_low", wires: [wire("W2", "B1:1", "U1:PD4", { is_assumed: true })] },
  ],
  notes: ["every mains part hangs behind an RCD"],
  cautions: ["mains beside salt water: an RCD (GFCI), drip loops, a licensed electrician, local code"],
  findings: [],
};

export const program: Program = {
  rules: [
    { id: "heater_display", text: 'start = "display_temp < 24.9 degC"\nstop = "display_temp > 25.3 degC"', bytes: 22 },
    { id: "return_pump", text: 'run = "not leak_sure"', bytes: null },
  ],
  bytes: 318,
  capacity: 320,
  slots: { numbers: 40, bits: 60, operations: 75, inputs: 16, outputs: 14 },
  revision: "00c0ffee",
  listing: "0000 load s0\n0003 less s0 24900",
};

export const careItems: CareItem[] = [
  {
    id: "proof/float_c_high",
    kind: "proof-test",
    title: "float_c_high stops top-off and lime",
    state: "overdue",
    is_failed: false,
    due: "2026-03-01",
    every: "every 30 days",
    how: "a float that is never called may be dead",
    caution: "do not reach into the sump while mains parts are open",
    steps: [
      { text: "lift float_c_high by hand", watch: "signal", name: "float_c_high", becomes: false, within_s: 10 },
      { text: "look that nobody is worried", watch: "person", within_s: 0 },
    ],
  },
  { id: "task/skimmer", kind: "task", title: "clean the skimmer cup", state: "later", is_failed: false, every: "every 7 days", how: "rinse it with tank water", steps: [] },
];
